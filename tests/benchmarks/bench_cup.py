"""True angles of cups on pelves that the model does not share: bias, scatter, width, coverage.

    python -m tests.benchmarks.bench_cup [--films 300] [--draws 512] [--seed 1]

Ten clicks an outline with a spread of 1 px, 2 px on bone, on pixels of 0.25 mm
(tests/cup_scenes.py): by what is known of the tube, by how much of the rim is seen, and by what
else of the cup is placed or known. ``ideal`` is the half-width that the scatter of the values
would ask for.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.cup_scenes import scene
from xraymeasure.measuring.measure import measure

CASES = {
    "tube stated": ({}, ()),
    "tube not stated": ({"tube": "silent"}, ()),
    "picture without a scale": ({"tube": "picture"}, ()),
    "180 degrees of the rim, head, shell": ({"rim_arc": 180.0}, ()),
    "120 degrees, head, shell": ({"rim_arc": 120.0}, ()),
    "120 degrees, head, cup's diameter": ({"rim_arc": 120.0, "cup_known": True}, ("shell",)),
    "120 degrees, head": ({"rim_arc": 120.0}, ("shell",)),
    "120 degrees, nothing else": ({"rim_arc": 120.0}, ("shell", "head")),
    "90 degrees, head, shell": ({"rim_arc": 90.0}, ()),
    "120 degrees, head, shell, picture": ({"rim_arc": 120.0, "tube": "picture"}, ()),
}


def errors_of(rng, films, draws, known, gone):
    """Return an array (films, 2, 3): of RI and RA the error, half-width, whether it held."""
    found = []
    for _ in range(films):
        drawn = scene(rng, **known)
        reading = drawn.reading
        side = reading.operated_side
        for stem in gone:
            name = {"shell": "cup_shell", "head": "femoral_head"}[stem]
            reading = reading.without(f"{name}_{side}")
        measured = measure(drawn.film, reading, draws=draws)
        rows = []
        for name, truth in (("inclination", drawn.ri), ("anteversion", drawn.ra)):
            row = measured[f"radiographic_{name}"]
            held = row.low <= truth <= row.high
            rows.append((row.value - truth, (row.high - row.low) / 2.0, held))
        found.append(rows)
    return np.array(found)


def main() -> None:
    """Print one line for each case and angle."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=300)
    parser.add_argument("--draws", type=int, default=512)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="cases whose title holds this")
    asked = parser.parse_args()
    for title, case in CASES.items():
        if asked.only not in title:
            continue
        rng = np.random.default_rng(asked.seed)
        found = errors_of(rng, asked.films, asked.draws, *case)
        for index, name in enumerate(("RI", "RA")):
            error, half, held = found[:, index].T
            print(
                f"{title:38} {name} bias {error.mean():+5.2f}  SD {error.std():4.2f}  greatest "
                f"{np.abs(error).max():5.2f}  half-width {half.mean():5.2f} (ideal "
                f"{1.96 * error.std():4.2f})  coverage {held.mean():.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
