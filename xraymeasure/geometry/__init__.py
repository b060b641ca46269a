"""Curves through points, the point source, and the definitions of the cup's angles."""
