"""scikit-image's estimates of circles and ellipses, which are algebraic, as a reference."""

import warnings
from unittest.mock import patch

import numpy as np
from skimage.measure import CircleModel, EllipseModel

_eig = np.linalg.eig


def _real_eig(matrix):
    # Since numpy 2.5 eigenvectors are complex also where they are real, which it does not expect.
    return tuple(np.real_if_close(each) for each in _eig(matrix))


def circle_estimate(points):
    with warnings.catch_warnings():
        # It calls a function that scipy 1.18 wants elsewhere.
        warnings.simplefilter("ignore", DeprecationWarning)
        return CircleModel.from_estimate(points)


def ellipse_estimate(points):
    with patch("numpy.linalg.eig", _real_eig):
        return EllipseModel.from_estimate(points)
