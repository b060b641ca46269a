"""How well the shafts of both femora are found, on films of invented bodies.

    python -m tests.benchmarks.bench_shafts [--films 24] [--first-seed 1000] [--kinds plain native]

The bones are as the phantom has them, not bent: the truth is the line through the middle of its
shaft. The hip of a replaced side is taken from the truth, as a proposal has it to a tenth of a
millimetre; a native one from the other hip, as it is proposed. Angles in degrees, and by how much
the middle of what is found lies beside the line, in mm on the detector. Nothing is asserted.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from tests.benchmarks.bench_propose import FIRST_SEED, PITCH_MM, invented_case
from xraymeasure.detect.accept import may_be_axis
from xraymeasure.detect.femur import SHAFT, find_axis, find_other_shaft
from xraymeasure.detect.field import plate
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION
from xraymeasure.phantom.outlines import landmark_points
from xraymeasure.phantom.truth import truth
from xraymeasure.phantom.variants import VARIANTS, random_scenario
from xraymeasure.vocabulary.landmarks import SIDES, other_side

SPACING_MM, BESIDE_MM = 1.6, 3.0
"""Of the bones; from where on a shaft is a wrong one."""


def shafts(kind: str, seed: int) -> list[tuple[str, float, float] | tuple[str]]:
    """Return for each side whether it is native, and what its shaft is off, if one is found."""
    scenario = random_scenario(kind, seed, PITCH_MM)
    film = invented_case(kind, seed, SPACING_MM, 0.0).film
    upright = plate(film)

    def on_detector(points: np.ndarray) -> np.ndarray:
        return film.to_patient_mm(scenario.geometry.project(points), None, film.spacing.detector_mm)

    hips = {
        side: on_detector(np.array([point]))[0]
        for side, point in truth(scenario)["hip_centre_mm"].items()
    }
    points = landmark_points(scenario, head=12)
    found: list[tuple[str, float, float] | tuple[str]] = []
    for side in SIDES:
        if scenario.hips[side].replaced:
            standing = "replaced"
            axis = find_axis(upright, *hips[side], side, SHAFT)
        else:
            standing, other = "native", other_side(side)
            axis = find_other_shaft(upright, *hips[other], other, PLAUSIBLE_MAGNIFICATION[0])
        if axis is None or not may_be_axis(axis):
            found.append((standing,))
            continue
        true = on_detector(points[f"femoral_shaft_{side}"])
        along = true[-1] - true[0]
        lean = float(np.degrees(np.arctan2(*along)))
        beside = np.array([along[1], -along[0]]) / np.linalg.norm(along)
        middle = np.mean(axis.points_mm, axis=0)
        found.append((standing, axis.lean_deg - lean, float((middle - true[0]) @ beside)))
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--films", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--kinds", nargs="+", choices=VARIANTS, default=["plain", "native"])
    chosen = parser.parse_args()
    rows = defaultdict(list)
    for number in range(chosen.films):
        seed, kind = divmod(number, len(chosen.kinds))
        for standing, *off in shafts(chosen.kinds[kind], chosen.first_seed + seed):
            rows[standing].append(off)
    for standing, every in rows.items():
        off = np.abs([each for each in every if each])
        angle, beside = np.percentile(off, 95.0, axis=0)
        print(
            f"{standing:9s} {len(every)} femora, {len(off)} found: 95 % within {angle:.2f} deg and "
            f"{beside:.2f} mm; {(off[:, 1] > BESIDE_MM).sum()} over {BESIDE_MM:g} mm beside"
        )


if __name__ == "__main__":
    main()
