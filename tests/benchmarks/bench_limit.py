"""How close the reading of a cup comes to the Cramer-Rao bound.

Run as ``python -m tests.benchmarks.bench_limit``. Prints, for both methods, how much the angles
of many noisy readings of one rim scatter, over the least possible (`tests.cramer_rao`),
for points all round and on one arc only; then what a nearly flat rim does: a noisy ellipse is
never flat, so that near 0 degrees of apparent anteversion the reading is biased and neither bound
nor scatter tells of it.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.camera import axis_of, circle_in_space, land, spread_turns
from tests.cramer_rao import cramer_rao_deg
from xraymeasure.geometry.ellipses import fit_ellipse, refit_ellipse
from xraymeasure.geometry.projection import circle_poses
from xraymeasure.measuring.cup import ellipse_angles, pose_angles

SID, RADIUS, HEIGHT, INCLINATION = 1150.0, 26.0, 150.0, 40.0
HIP = (88.0, -30.0, HEIGHT)
SPREAD = 0.3 * SID / (SID - HEIGHT)  # 0.3 mm in the plane of the hip, on the detector
ARCS = {"all round": spread_turns(12), "one arc": np.linspace(-90.0, 90.0, 12)}
LIMIT = 1.10


def rim(anteversion: float, turns: np.ndarray, sid: float | None) -> np.ndarray:
    """Return rim points on the detector; under parallel rays without a tube."""
    points = circle_in_space(HIP, RADIUS, axis_of(INCLINATION, anteversion, "left"), turns)
    return points[:, :2] * SID / (SID - HEIGHT) if sid is None else land(points, sid)


def read(
    anteversion: float, turns: np.ndarray, sid: float | None, draws: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return both angles of many noisy readings, (2, draws), and the bound of each."""
    points = rim(anteversion, turns, sid)
    ellipse = fit_ellipse(rim(anteversion, spread_turns(40), sid)).parameters
    noise = SPREAD * np.random.default_rng(1).standard_normal((*points.shape, draws))
    fitted = refit_ellipse(points[:, :, None] + noise, ellipse)
    if sid is None:
        angles = ellipse_angles(fitted, 0.0, 1, 1)
    else:
        angles = pose_angles(circle_poses(fitted, sid, 1), 0, 0.0, "left")
    return np.stack(angles), np.array(
        cramer_rao_deg(ellipse, points, SPREAD, source_detector_mm=sid)
    )


def main() -> None:
    """Print ratios and biases."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=20_000)
    draws = parser.parse_args().draws
    print(f"spread over bound; 12 points, {SPREAD:.3f} mm on the detector, {draws} readings")
    print("RA    points      ellipse: RI    RA   perspective: RI    RA   (bounds, deg)")
    for anteversion in (10, 15, 20, 25, 30, 35):
        for name, turns in ARCS.items():
            ratios, bounds = [], []
            for sid in (None, SID):
                angles, bound = read(anteversion, turns, sid, draws)
                ratios.extend(angles.std(axis=1) / bound)
                bounds.extend(bound)
            print(
                f"{anteversion:2d}    {name:10s}       {ratios[0]:5.3f} {ratios[1]:5.3f}"
                f"            {ratios[2]:5.3f} {ratios[3]:5.3f}   "
                + " ".join(f"{bound:.2f}" for bound in bounds)
                + ("" if max(ratios) <= LIMIT else "  over the limit")
            )
    print(f"at most {LIMIT:.2f}")
    print()
    print("nearly flat rims, parallel rays, points all round: anteversion read (true one first)")
    print("RA     median     2.5 %    97.5 %")
    for anteversion in (0.0, 0.5, 1.0, 2.0, 3.0, 5.0):
        turns = ARCS["all round"]
        points = rim(anteversion, turns, None)
        start = np.array([*np.array(HIP[:2]) * SID / (SID - HEIGHT), RADIUS * 1.15, 1.0, 0.0])
        start[4] = np.radians(-INCLINATION)
        noise = SPREAD * np.random.default_rng(2).standard_normal((*points.shape, draws))
        _, angles = ellipse_angles(refit_ellipse(points[:, :, None] + noise, start), 0.0, 1, 1)
        low, middle, high = np.quantile(angles, [0.025, 0.5, 0.975])
        print(f"{anteversion:4.1f}   {middle:6.2f}    {low:6.2f}    {high:6.2f}")


if __name__ == "__main__":
    main()
