"""Whether outlines are placed well: how far around, and which clicks do not fit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from xraymeasure.geometry.curves import arc_covered_deg
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.measuring.drawings import ellipse_path
from xraymeasure.measuring.findings.thresholds import Thresholds
from xraymeasure.measuring.needs import beside_the_rim, touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import LANDMARKS, landmark_name


def outlines(setting: Setting, thresholds: Thresholds) -> Iterator[Finding]:
    """Yield what there is to say of the outlines and the clicks on them."""
    fits: dict[str, Fit | None] = {}
    anchors: dict[str, str] = {}
    for side, hip in setting.hips.items():
        fits[landmark_name("femoral_head", side)] = hip.head
        fits[landmark_name("cup_shell", side)] = hip.shell
        rim = landmark_name("cup_rim", side)
        fits[rim] = hip.rim
        if hip.anchor is not None:
            anchors[rim] = beside_the_rim(hip)
    fits["marker_sphere"] = setting.marker
    for name, fit in fits.items():
        if fit is not None:
            stem = LANDMARKS[name].kind.stem
            title = LANDMARKS[name].title
            points = setting.on_film[name]
            touches = touched_by(name, setting)
            if stem != "cup_rim":
                arc = arc_covered_deg(points, fit.parameters[:2])
                if arc < thresholds.arc_deg and stem != "cup_shell":
                    yield Finding(
                        "short_arc",
                        f"{title}: the points span {arc:.0f} degrees of arc; below "
                        f"{thresholds.arc_deg:.0f} the size is poorly determined. Place points "
                        "further around.",
                        touches,
                    )
            elif name in anchors or _on_one_arc(fit.parameters, points):
                taken = f" It is taken that {anchors[name]}." if name in anchors else ""
                yield Finding(
                    "rim_one_arc",
                    f"{title}: all points lie on one arc; the other one would narrow the interval."
                    + taken,
                    touches,
                    "note",
                )
            yield from _clicks(setting, name, fit)


def _clicks(setting: Setting, name: str, fit: Fit) -> Iterator[Finding]:
    """Name the clicks of an outline that do not fit the others."""
    outline, title = setting.outlines[name], LANDMARKS[name].title
    touches = touched_by(name, setting)
    for index in outline.off:
        far = _distance(setting, name, fit, index) / setting.units_per_px
        yield Finding(
            "outline_point_off",
            f"{title}: point {index + 1} lies {far:.1f} pixels off the outline through the "
            "others, which placing does not explain, and was left out. Check it.",
            touches,
        )
    if outline.one_is_off:
        worst = outline.used[int(np.abs(fit.residuals).argmax())]
        yield Finding(
            "outline_point_off",
            f"{title}: the {len(outline.used)} points do not fit one outline, and are too few to "
            f"tell which is off (perhaps point {worst + 1}). Check them, and place more.",
            touches,
        )
    elif outline.spread_factor > 1.0:
        yield Finding(
            "outline_scatters",
            f"{title}: the points scatter {outline.spread_factor:.1f} times as much as placing "
            "explains; the intervals are wider for it.",
            touches,
            "note",
        )
    if outline.repeated:
        listed = ", ".join(str(index + 1) for index in outline.repeated)
        yield Finding(
            "outline_point_twice",
            f"{title}: point {listed} stands on the spot of an earlier one and does not count.",
            touches,
            "note",
        )


def _distance(setting: Setting, name: str, fit: Fit, index: int) -> float:
    """Return how far a click lies from the curve through the others, in film units."""
    point = setting.as_placed.points(name)[index : index + 1] @ setting.to_units.T
    parameters = fit.parameters
    if len(parameters) == 3:
        return float(abs(np.hypot(*(point[0] - parameters[:2])) - parameters[2]))
    return float(np.hypot(*(ellipse_path(parameters) - point[0]).T).min())


def _on_one_arc(ellipse: np.ndarray, points: np.ndarray) -> bool:
    x, y, _, b, angle = ellipse
    dx, dy = points[:, 0] - x, points[:, 1] - y
    across = np.cos(angle) * dy - np.sin(angle) * dx
    return bool((across > -0.25 * b).all() or (across < 0.25 * b).all())
