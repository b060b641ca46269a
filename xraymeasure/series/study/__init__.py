"""The study folder: films, readings, remarks, worklists and placing spreads."""
