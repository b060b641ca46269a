"""Draw what both methods make of one cup, wherever the beam was centred: a picture for the README.

Run as ``python -m tests.benchmarks.figure_bias [FILE]``. Exact outlines (tests/camera.py), no
noise; the distances are those of the hip from the point below the tube.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib
import numpy as np

from tests.camera import axis_of, circle_in_space, land, spread_turns
from xraymeasure.geometry.ellipses import fit_ellipse
from xraymeasure.geometry.projection import circle_poses
from xraymeasure.measuring.cup import ellipse_angles, pose_angles
from xraymeasure.report.layout.style import GREY, INK
from xraymeasure.report.layout.type import FAMILY

INCLINATION, ANTEVERSION, RADIUS_MM = 45, 15, 26.0
SID, HEIGHT_MM = 1150.0, 170.0
REACH_MM, STEP_MM = 120.0, 10.0
CENTRINGS = (
    ("on the hip", 0.0, 0.0, "o", (8, -14)),
    ("on the pelvis", 90.0, 35.0, "s", (14, -17)),
)
"""Where the hip lies from the beam, lateral and cranial, for two usual ways of centring."""

PICTURE = Path("sample_images/pictures/bias_over_film.png")


def errors(lateral: float, cranial: float) -> np.ndarray:
    """Return errors of anteversion and inclination, by ellipse and by perspective, shape (2, 2)."""
    centre = (lateral, -cranial, HEIGHT_MM)
    rim = circle_in_space(
        centre, RADIUS_MM, axis_of(INCLINATION, ANTEVERSION, "left"), spread_turns(16)
    )
    ellipse = fit_ellipse(land(rim, SID)).parameters
    by_ellipse = ellipse_angles(ellipse, 0.0, 1, 1)
    by_pose = pose_angles(circle_poses(ellipse, SID, 1), 0, 0.0, "left")
    read = np.array([by_ellipse, by_pose])[:, ::-1].T
    return read - np.array([[ANTEVERSION], [INCLINATION]])


def draw(path: Path) -> None:
    """Write the picture."""
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.colors import BoundaryNorm
    from matplotlib.patheffects import withStroke

    plt.rcParams.update({"font.family": FAMILY, "font.size": 10, "text.color": INK})
    reach = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2.0, STEP_MM)
    table = np.array([[errors(x, y) for x in reach] for y in reach])
    levels = np.arange(-10, 11, 1)
    norm = BoundaryNorm(np.arange(-10.5, 11.0, 1.0), 256)
    figure, axes = plt.subplots(
        2, 2, figsize=(8.6, 7.9), sharex=True, sharey=True, layout="constrained"
    )
    for row, angle in enumerate(("anteversion", "inclination")):
        for column, method in enumerate(("Ellipse method", "Perspective method")):
            panel, error = axes[row, column], table[:, :, row, column]
            image = panel.contourf(
                reach, reach, error, np.arange(-10.5, 11.0, 1.0), cmap="PuOr", norm=norm
            )
            if np.abs(error).max() > 0.5:
                lines = panel.contour(reach, reach, error, levels, colors=INK, linewidths=0.7)
                for label in panel.clabel(lines, fmt=_signed, fontsize=9):
                    label.set_path_effects([withStroke(linewidth=2.5, foreground="white")])
            else:
                panel.text(
                    0.5,
                    0.8,
                    f"nowhere more than {_rounded_up(np.abs(error).max())}°",
                    transform=panel.transAxes,
                    ha="center",
                )
            for name, x, y, marker, offset in CENTRINGS:
                panel.plot(x, y, marker, color="white", markeredgecolor=INK, markersize=8)
                panel.annotate(
                    f"beam {name}",
                    (x, y),
                    offset,
                    textcoords="offset points",
                    fontsize=9,
                    ha="left" if x == 0 else "right",
                    bbox={"facecolor": "white", "alpha": 0.8, "edgecolor": "none", "pad": 1},
                )
            panel.set_title(f"{method}: error of {angle}", fontsize=11)
            panel.set_aspect("equal")
            panel.set_xticks(np.arange(-100, 101, 50))
            panel.set_yticks(np.arange(-100, 101, 50))
    figure.supxlabel("hip lateral of the beam's foot (mm)   →", fontsize=10)
    figure.supylabel("hip cranial of the beam's foot (mm)   →", fontsize=10)
    bar = figure.colorbar(image, ax=axes, shrink=0.6, ticks=np.arange(-10, 11, 2))
    bar.set_label("error: read minus true (degrees)")
    figure.suptitle("Where the beam was centred changes what the ellipse shows", fontsize=13)
    figure.text(
        0.5,
        -0.015,
        f"Synthetic: cup of {INCLINATION}° inclination and {ANTEVERSION}° anteversion, rim radius "
        f"{RADIUS_MM:g} mm,\n{HEIGHT_MM:g} mm above the detector, tube at {SID:g} mm; exact "
        "outlines, beam and tube known to the perspective method.",
        ha="center",
        va="top",
        fontsize=9,
        color=GREY,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110, bbox_inches="tight", facecolor="white", metadata={"Software": ""})


def _signed(value: float) -> str:
    return f"{value:+.0f}°".replace("-", "−") if abs(value) > 0.5 else "0°"


def _rounded_up(value: float) -> str:
    """Return a small bound in words of one digit."""
    return next(f"{bound:g}" for bound in (0.001, 0.01, 0.1, 1.0) if value <= bound)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURE)
