"""An earlier film laid on a later one, pelvis on pelvis."""

from __future__ import annotations

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.film.film import Film
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS


def pelvis_on_pelvis(
    before: tuple[Film, Reading], after: tuple[Film, Reading]
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the map from the pixels of the earlier film to those of the later one.

    Turned, moved and enlarged alike in both directions, so that the landmarks of the pelvis that
    are placed on both films fall on one another as nearly as possible (least squares: Umeyama S,
    IEEE Trans Pattern Anal Mach Intell 1991;13:376-380, from memory).

    Parameters
    ----------
    before, after : (Film, Reading)

    Returns
    -------
    matrix : numpy.ndarray, shape (3, 3)
        For (row, column, 1).
    names : tuple of str
        The landmarks it rests on.

    Raises
    ------
    MeasureError
        If fewer than two points of the pelvis are placed on both films.
    """
    from skimage.transform import SimilarityTransform

    names = tuple(
        name
        for name, landmark in LANDMARKS.items()
        if landmark.kind.region == "pelvis"
        and before[1].has(name)
        and after[1].has(name)
        and len(before[1].points(name)) == len(after[1].points(name))
    )
    there, here = (
        np.concatenate([np.zeros((0, 2)), *(reading.points(name) for name in names)])
        @ _to_patient(film)[:2, :2].T
        for film, reading in (before, after)
    )
    found = SimilarityTransform.from_estimate(there, here) if len(there) > 1 else None
    if not found:
        raise MeasureError(
            "the films cannot be laid on one another: place at least two of the same points of "
            "the pelvis, both teardrops for example, on both films"
        )
    matrix = np.linalg.inv(_to_patient(after[0])) @ found.params @ _to_patient(before[0])
    return matrix, names


def _to_patient(film: Film) -> np.ndarray:
    """Return the map from (row, column) to steps along the patient's left and feet, in pixels."""
    x_axis, y_axis = film.patient_axes
    aspect = np.sqrt(film.spacing.aspect)
    matrix = np.eye(3)
    matrix[:2, :2] = np.array([x_axis, y_axis], dtype=float) * (aspect, 1.0 / aspect)
    return matrix
