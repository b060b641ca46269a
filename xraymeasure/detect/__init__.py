"""Proposals: the metal found in the picture, so that a person confirms instead of drawing."""
