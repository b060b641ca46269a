"""A film and the landmarks placed on it become calibrated measurements with their uncertainty.

For research, teaching and audit; not a medical device.

>>> import xraymeasure as xm
>>> film, reading, plan = xm.sample("off_plan_cup")
>>> found = xm.examine(film, reading, plan, draws=0)
>>> found.measurements["radiographic_anteversion"].method
'perspective'

This module is the whole public interface. Each name is loaded when it is first used, so that
importing the package costs nothing.
"""

import lazy_loader

__version__ = "0.1.0"

# The names and where they are stand once, in __init__.pyi.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
