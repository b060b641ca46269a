"""The cup about a head that was found: coarse and fine fits of its picture, or its silhouette."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.detect import cup, picture
from xraymeasure.detect.accept import (
    LONGER_TURNS,
    is_lip,
    lies_far,
    may_be_cup,
    may_become_cup,
    may_have_lip,
    stays_by,
    tells_by_greys,
)
from xraymeasure.detect.candidates import Candidate
from xraymeasure.detect.field import Plate
from xraymeasure.detect.head import Head
from xraymeasure.detect.silhouette import GRIDS_MM, pose_by_silhouette
from xraymeasure.reading.reading import Opens

_COARSE_MM, _FINE_MM = 1.5, 0.8
_STARTS_DEG = (15.0, 30.0, 5.0)
_LIP_OF_FACE = 2.0
"""Height of a raised lip for each mm that the opening seems to lie outward (rendered films)."""
_STEPS_IN_WHITE = 9
"""Where all is white, a longer descent leads away from the silhouette, after greys of bone."""
_GOOD_MISFIT = 0.04
"""A fine fit that leaves more is tried again from other anteversions."""
_CLEAR_MISFIT = 0.02
"""Where all is white, of a fit from the silhouette that is not held against those of greys."""
_NO_BETTER = 0.98
"""A start whose coarse fit costs more than this share of the best one's leads nowhere else."""


def find_cup(
    upright: Plate,
    candidate: Candidate,
    head: Head,
    radius: float,
    distance: float,
    opens: Opens | None,
) -> tuple[picture.CupScene, cup.Fitted] | None:
    """Return the cup's fit on a fine grid and its scene, or None where there is no cup.

    Parameters
    ----------
    upright : Plate
    candidate : Candidate
    head : Head
        Found at the candidate.
    radius, distance : float
        Of the head in space, and of its centre from the tube, mm.
    opens : {"anterior", "posterior"}, optional
        Which of the two poses with one picture is meant; the first by default.
    """
    search = _Search(upright, candidate, head, radius, distance, opens)
    # The first, coarse fit is to find all of the metal.
    wide = search.scene(_COARSE_MM, may_be_bone=False)
    outer = float(np.clip(candidate.shell_radius_mm / wide.magnification, 21.0, 34.0))
    if not wide.all_white:
        best = search.by_greys(wide, outer)
        if not wide.clipped or (best is not None and not lies_far(*best)):
            return best
        return search.by_silhouette(outer) or best
    # Greys tell little where metal and bone are white.
    seen = search.by_silhouette(outer)
    if seen is not None and seen[1].misfit < _CLEAR_MISFIT:
        return seen
    best = search.by_greys(wide, outer)
    if best is None or not tells_by_greys(best[0]):
        return seen
    return best if seen is None or best[1].misfit < seen[1].misfit else seen


@dataclass(frozen=True, eq=False)
class _Search:
    """What is known while a cup is looked for; attributes as `find_cup` has them."""

    upright: Plate
    candidate: Candidate
    head: Head
    radius: float
    distance: float
    opens: Opens | None

    def scene(
        self, step_mm: float, p: np.ndarray | None = None, may_be_bone: bool = True
    ) -> picture.CupScene:
        """Return what lies about a cup with parameters `p`, or about the head where one may be."""
        x, y = self.head.x_mm, self.head.y_mm
        reach, about = self.candidate.shell_radius_mm + 5.0, (x, y)
        if p is not None:
            about = x + float(p[picture.U]), y + float(p[picture.V])
            ray = np.linalg.norm([x, y, self.upright.source_detector_mm])
            reach = float(p[picture.RADIUS] * ray) / self.distance + 2.0
        box = (
            about[0] - reach - 3.0, about[0] + reach + 3.0,
            about[1] - reach - 3.0, about[1] + reach + 3.0,
        )  # fmt: skip
        return picture.scene(
            self.upright.field(step_mm, box), self.upright.source_detector_mm, self.candidate.side,
            (x, y), self.radius, self.distance, self.candidate.neck_rad, about, reach, may_be_bone,
        )  # fmt: skip

    def refined(
        self, p: np.ndarray, prior: cup.Prior = cup.USUAL
    ) -> tuple[picture.CupScene, cup.Fitted] | None:
        """Return the fine fit that starts at `p`, or None if it is not that of a cup."""
        near = self.scene(_FINE_MM, p)
        if picture.faces_tube(near, p) != (self.opens != "posterior"):
            p = picture.mirrored(near, p)
        steps = _STEPS_IN_WHITE if near.all_white else cup.ITERATIONS
        fine = cup.descend(near, p, (picture.LIP,), steps, prior)
        if not may_be_cup(near, fine):
            return None
        if may_have_lip(near, fine):
            start = fine.parameters.copy()
            lip = _LIP_OF_FACE * float(start[picture.FACE])
            start[[picture.FACE, picture.LIP]] = 0.0, lip
            start[picture.INCLINATION] += LONGER_TURNS * lip
            lipped = cup.descend(near, start, (picture.FACE,), prior=prior)
            if is_lip(lipped, fine) and may_be_cup(near, lipped):
                fine = lipped
        return near, fine

    def by_greys(
        self, wide: picture.CupScene, outer_mm: float
    ) -> tuple[picture.CupScene, cup.Fitted] | None:
        """Return the best of the fits that coarse ones lead to, or None."""
        best: tuple[picture.CupScene, cup.Fitted] | None = None
        least = np.inf
        for anteversion in _STARTS_DEG:
            start = cup.start_parameters(outer_mm, 43.0, anteversion)
            coarse = cup.descend(wide, start, (picture.FLANGE, picture.LIP))
            if not may_become_cup(wide, coarse):
                break
            if coarse.cost > _NO_BETTER * least:
                continue
            least = coarse.cost
            found = self.refined(coarse.parameters)
            if found is not None and (best is None or found[1].misfit < best[1].misfit):
                best = found
            if best is not None and best[1].misfit < _GOOD_MISFIT:
                break
        return best

    def by_silhouette(self, outer_mm: float) -> tuple[picture.CupScene, cup.Fitted] | None:
        """Return the fit that the silhouette leads to, or None where it leads to none."""
        around = [self.scene(step) for step in GRIDS_MM]
        silhouette = pose_by_silhouette(around, outer_mm, self.opens)
        if silhouette is None:
            return None
        found = self.refined(silhouette.parameters, cup.USUAL.and_seen(*silhouette))
        if found is None or not stays_by(around[-1], silhouette.parameters, found[1]):
            return None
        return found
