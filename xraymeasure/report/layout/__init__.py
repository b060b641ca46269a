"""The sheet, the type and the blocks that pages are made of."""
