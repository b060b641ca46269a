"""Bones found again: where landmarks that a person placed on an earlier film lie on this one."""
