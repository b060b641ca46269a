"""The film on the canvas: its layer, mouse, keys and what is drawn over it."""
