"""How differently the pelvis lay on two films: an input of every change, with its spread.

Nobody lies twice alike. Before anything is seen, the pelvis may be tilted and turned between two
films by as much as `TILT_U_DEG` and `ROTATION_U_DEG`; what the films show of it (where the
sacrococcygeal joint lies against the symphysis) is then weighed against that, as independent
normal quantities. What is left is the spread of the position. A pair that lies worse, or tells
less, has a wider interval; none is barred.

Frame and signs: a posterior tilt t is positive, a rotation r about the body's long axis is
positive where the front turns to the patient's left. With the joint a distance d behind the
symphysis, the joint's height above the symphysis changes by ``-d sin t`` and its place to the
left of it by ``-d sin r`` (derived). Where the beam came from is no part of it: both points are
measured at the depths they have.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from xraymeasure.measuring.results import Measurements

TILT_U_DEG = 4.0
"""Spread of the pelvis's tilt between two films in one posture. Working default, no source."""

TILT_POSTURES_U_DEG = 8.0
"""The same between a supine and a standing film. Working default, no source."""

ROTATION_U_DEG = 3.0
"""Spread of the rotation between two films. Working default, no source."""

APART_MM = 120.0
"""How far the sacrococcygeal joint lies behind the symphysis; 1.8 to 1.9 mm a degree (derived) and
the depths of `measuring.inputs` span it."""

APART_U_MM = 20.0
"""Spread of that between people. Working default, no source."""

BONY_POINT_U_MM = 0.5
"""Spread of where the two points are seen on a film that is taken from elsewhere, were they placed
perfectly. Working default, no source."""


@dataclass(frozen=True)
class Turn:
    """An angle by which the pelvis lay differently, later minus earlier film.

    Attributes
    ----------
    mean_deg, u_deg : float
        Most likely value and standard uncertainty.
    seen : bool
        Whether the films tell of it; else it is what may be expected of any two films.
    """

    mean_deg: float
    u_deg: float
    seen: bool

    @property
    def size_deg(self) -> float:
        """Root mean square of the angle: what moves a length that is not corrected for it."""
        return math.hypot(self.mean_deg, self.u_deg)


@dataclass(frozen=True)
class Position:
    """How the pelvis lay on the later film against the earlier one."""

    tilt: Turn
    rotation: Turn

    @property
    def text(self) -> str:
        """What a person reads."""
        return (
            f"the pelvis was {_said(self.tilt, ('tipped backward', 'tipped forward'))}, and "
            f"{_said(self.rotation, ('turned to the left', 'turned to the right'))}"
        )


def _said(turn: Turn, ways: tuple[str, str]) -> str:
    if not turn.seen:
        verb = ways[0].partition(" ")[0]
        return f"{verb} by an angle that the films do not tell (± {1.96 * turn.u_deg:.0f}°)"
    way = ways[0] if turn.mean_deg >= 0.0 else ways[1]
    return f"{way} by {abs(turn.mean_deg):.1f}° (± {1.96 * turn.u_deg:.1f}°)"


def position_between(
    after: Measurements, before: Measurements, *, other_posture: bool = False
) -> Position:
    """Return how the pelvis lay on a later film against an earlier one.

    Parameters
    ----------
    after, before : Measurements
        Of the same hip.
    other_posture : bool
        Whether one film was taken supine and the other standing.
    """
    tilt_u_deg = TILT_POSTURES_U_DEG if other_posture else TILT_U_DEG
    return Position(
        tilt=_turn(after, before, "pelvic_tilt_indicator", tilt_u_deg),
        rotation=_turn(after, before, "pelvic_rotation_indicator", ROTATION_U_DEG),
    )


def _turn(after: Measurements, before: Measurements, indicator: str, expected_u_deg: float) -> Turn:
    later, earlier = after.primary(indicator), before.primary(indicator)
    if later is None or earlier is None:
        return Turn(0.0, expected_u_deg, seen=False)
    moved = later.value - earlier.value
    noise = (
        later.standard_uncertainty**2 + earlier.standard_uncertainty**2 + 2.0 * BONY_POINT_U_MM**2
    )
    slope = -APART_MM * math.pi / 180.0
    variance = 1.0 / (1.0 / expected_u_deg**2 + slope**2 / noise)
    mean = variance * slope * moved / noise
    # People differ in how far the two points lie apart, and so in how much a turn moves them.
    return Turn(mean, math.hypot(math.sqrt(variance), mean * APART_U_MM / APART_MM), seen=True)
