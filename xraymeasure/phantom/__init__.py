"""Synthetic frontal films of pelvis and hips with exactly known truth.

Made to teach and to test with; no line of it is shared with the measuring code, which never
imports it. `make_film` renders one film; `truth` and `simulate_reading` say what is true of one,
and what a reader would place on it, in about a millisecond and without rendering.
"""

from xraymeasure.phantom.reader import READER_SD_MM, simulate_reading
from xraymeasure.phantom.scenarios import Sample, samples
from xraymeasure.phantom.scene import (
    Cup,
    Geometry,
    Head,
    Hip,
    MarkerSphere,
    Pelvis,
    Scenario,
    Stem,
)
from xraymeasure.phantom.truth import truth
from xraymeasure.phantom.write import PhantomFilm, make_film, write_sample, write_samples

__all__ = [
    "READER_SD_MM",
    "Cup",
    "Geometry",
    "Head",
    "Hip",
    "MarkerSphere",
    "Pelvis",
    "PhantomFilm",
    "Sample",
    "Scenario",
    "Stem",
    "make_film",
    "samples",
    "simulate_reading",
    "truth",
    "write_sample",
    "write_samples",
]
