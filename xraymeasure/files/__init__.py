"""Text files: written whole or not at all, read strictly, and rows as CSV."""
