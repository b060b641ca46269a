"""What changed between two films of one patient, solved from both at once.

Two corrected numbers subtracted would count twice what both share (where the trochanters lie in
the bone, how the sides differ, the stem's own angle), and each would be corrected without what the
other film knows. Here both films are one model: what a patient keeps is one input, what differs
from film to film is two, and the agreements of both films are learned from at once.
"""

from __future__ import annotations

import numpy as np

from xraymeasure.change.difference import Interval
from xraymeasure.measuring.uncertainty import LEARNING, Key, Linear, Term, learned_interval

KEPT = (
    "lesser_radius", "lesser_azimuth", "greater_anterior", "own_lesser_radius_",
    "own_greater_anterior_", "trochanters_alike", "ischium_alike", "obturator_foramen_alike",
    "depth_", "side_depth_",
)  # fmt: skip
"""Inputs, or how their names begin, that one patient has on every film."""

KEPT_WITH_THE_IMPLANT = (
    "own_lesser_azimuth_",
    "neck_shaft_",
    "neck_through_head_",
    "head_mm_",
    "cup_mm_",
)
"""Inputs that are the same where both films show the same implant, or none."""


def solved_change(after: Linear | None, before: Linear | None, key: Key) -> Interval | None:
    """Return how much a number changed between two films, solved jointly, or None.

    Parameters
    ----------
    after, before : Linear or None
        Both films to first order; None where a film comes from a file, which does not keep it.
    key : Key
        Name, side and method of the number.

    Returns
    -------
    (value, low, high) or None
        None where a film lacks the number, or it is not one of those that learn.
    """
    if after is None or before is None or key[2] not in LEARNING:
        return None
    if key not in after.keys or key not in before.keys:
        return None
    places, width = _places(after, before)
    later = _spread(after, np.arange(after.jacobian.shape[1]), width)
    earlier = _spread(before, places, width)
    row, other = after.keys.index(key), before.keys.index(key)
    zeros = np.vstack([later[len(after.keys) :], earlier[len(before.keys) :]])
    off = np.concatenate([after.middle[len(after.keys) :], before.middle[len(before.keys) :]])
    slopes, middle = later[row] - earlier[other], after.middle[row] - before.middle[other]
    return learned_interval(slopes, float(middle), zeros, off)


def _places(after: Linear, before: Linear) -> tuple[np.ndarray, int]:
    """Return the joint column of each column of the earlier film, and how many there are."""
    of_later = dict(zip(_names(after), range(after.jacobian.shape[1]), strict=True))
    terms = {term.key: term for term in after.terms}
    same = {
        term.key for term in before.terms if term.key in terms and _is_kept(term, terms[term.key])
    }
    width, places = after.jacobian.shape[1], []
    for name in _names(before):
        if name[0] in same and name in of_later:
            places.append(of_later[name])
        else:
            places.append(width)
            width += 1
    return np.array(places), width


def _is_kept(earlier: Term, later: Term) -> bool:
    if earlier.key.startswith(KEPT):
        return True
    alike = np.array_equal(earlier.mean, later.mean) and np.array_equal(earlier.u, later.u)
    return earlier.key.startswith(KEPT_WITH_THE_IMPLANT) and alike


def _names(linear: Linear) -> list[tuple[str, int, bool]]:
    """Return of each column the input, its component, and whether it is the bend of it."""
    names = [(term.key, place, False) for term in linear.terms for place in range(len(term.mean))]
    bends = [names[column] for column in linear.bent]
    return names + [(key, place, True) for key, place, _ in bends]


def _spread(linear: Linear, places: np.ndarray, width: int) -> np.ndarray:
    wide = np.zeros((len(linear.jacobian), width))
    wide[:, places] = linear.jacobian
    return wide
