"""A film: pixels, which spacing it is, orientation, beam, and what is not known."""
