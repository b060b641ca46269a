"""True legs and offsets on bodies that the model does not share: bias, scatter, width, coverage.

    python -m tests.benchmarks.bench_posture [--films 300] [--draws 512]

Ten clicks an outline with a spread of 1 px, 2 px on bone, on pixels of 0.25 mm (tests/posed.py).
``ideal`` is the half-width that the scatter of the values would ask for.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.posed import SUPINE, WIDE, posed_film
from xraymeasure.measuring.measure import measure

CASES = {
    "wide posture, own spread": (WIDE, {}, ()),
    "wide, teardrops twice": (WIDE, {"twice": ("teardrop",)}, ()),
    "supine, own spread": (SUPINE, {}, ()),
    "supine, teardrops twice": (SUPINE, {"twice": ("teardrop",)}, ()),
    "wide, default spreads": (WIDE, {"stated": False}, ()),
    "wide, tube not stated": (WIDE, {"source_detector_mm": None, "beam_centre": None}, ()),
    "wide, a lesser trochanter hidden": (WIDE, {}, ("lesser_trochanter_left",)),
}
ROWS = (
    ("leg_length_difference", "femur_neutral"),
    ("leg_length_difference", "posture"),
    ("femoral_offset", "projected"),
    ("femoral_offset", "in_space"),
    ("femoral_rotation", "posture"),
)


def errors_of(films, draws, posture, known, gone):
    """Return by row an array (films, 3): error, half-width, whether the interval held."""
    rng = np.random.default_rng(5)
    found = {key: [] for key in ROWS}
    for _ in range(films):
        body, film, reading, (leg, offset) = posed_film(rng, posture, **known)
        for name in gone:
            reading = reading.with_points(name, ())
        truth = {
            "leg_length_difference": leg,
            "femoral_offset": offset,
            "femoral_rotation": body.femurs[body.side].rotation,
        }
        measured = measure(film, reading, draws=draws)
        for name, method in ROWS:
            if row := measured.by_method(name, method):
                held = row.low <= truth[name] <= row.high
                found[name, method].append(
                    (row.value - truth[name], (row.high - row.low) / 2.0, held)
                )
    return {key: np.array(rows) for key, rows in found.items() if rows}


def main() -> None:
    """Print one table for each case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=300)
    parser.add_argument("--draws", type=int, default=512)
    asked = parser.parse_args()
    for title, case in CASES.items():
        print(title)
        for (name, method), rows in errors_of(asked.films, asked.draws, *case).items():
            error, half, held = rows.T
            print(
                f"  {name:22} {method:14} bias {error.mean():+5.2f}  SD {error.std():4.2f}  "
                f"half-width {half.mean():4.2f} (ideal {1.96 * error.std():4.2f})  "
                f"coverage {held.mean():.3f}"
            )


if __name__ == "__main__":
    main()
