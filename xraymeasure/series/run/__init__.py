"""Measure every film of a study that has a reading, over processes or a cluster."""
