"""Proposals on every film of a study, and the sheet to look through them."""
