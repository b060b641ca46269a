"""A film and the landmarks placed on it become calibrated measurements with their uncertainty."""

__version__ = "0.1.0"
