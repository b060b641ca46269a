"""How long measuring one reading takes, with first-order intervals and with all its draws.

Run as ``OMP_NUM_THREADS=1 python -m tests.benchmarks.bench_measure`` on a quiet machine. Prints
medians of the processor's time in many turns, taken alternately with a yardstick in this run:
scipy's least squares over the five parameters of one ellipse through twelve points. The film is not
read, nor is its pixels' hash taken; every landmark of the vocabulary is placed on a hip with one or
both sides replaced.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from tests.camera import Body, film_and_reading
from xraymeasure.measuring.measure import DRAWS, measure
from xraymeasure.reading.reading import Reading

ONE_MOVED_RATIO, FIRST_ORDER_MS, DRAWS_MS = 3.0, 10.0, 40.0
"""Goals: a live update against one ellipse by scipy; the rest on one quiet core."""


DRAGGED = ("cup_rim_left", "femoral_head_left", "teardrop_left", "femoral_shaft_left")


def ellipse_by_scipy() -> None:
    """Fit one ellipse to twelve points, exactly the same work every time."""
    turns = np.arange(12) * np.pi / 6
    points = np.stack([30 * np.cos(turns), 8 * np.sin(turns)])
    points += 0.3 * np.random.default_rng(0).standard_normal(points.shape)

    def residuals(p: np.ndarray) -> np.ndarray:
        dx, dy = points[0] - p[0], points[1] - p[1]
        cos, sin = np.cos(p[4]), np.sin(p[4])
        u, v = (cos * dx + sin * dy) / p[2], (cos * dy - sin * dx) / p[3]
        return (np.hypot(u, v) - 1.0) * p[3]

    least_squares(residuals, [1.0, -1.0, 28.0, 9.0, 0.1])


def moved(reading: Reading, names: list[str]) -> Iterator[Reading]:
    """Yield readings in which some landmarks have moved a little since the one before.

    All of them: a reading never measured before. One: what a drag asks for, during which the
    warnings stand as they were and are looked for anew at its end.
    """
    for turn in itertools.count(1):
        landmarks = dict(reading.landmarks)
        for name in names:
            shift = 1e-3 * turn
            landmarks[name] = tuple((r + shift, c - shift) for r, c in landmarks[name])
        yield replace(reading, landmarks=landmarks)


def milliseconds(action: Callable[[], object]) -> float:
    """Return how long one call takes this process; what else the machine does is not ours."""
    start = time.process_time()
    action()
    return 1e3 * (time.process_time() - start)


def medians(actions: dict[str, Callable[[], object]], turns: int) -> dict[str, float]:
    """Return the median time of each action, taken alternately; the first turns warm up."""
    times: dict[str, list[float]] = {name: [] for name in actions}
    for turn in range(turns + 3):
        for name, action in actions.items():
            taken = milliseconds(action)
            if turn >= 3:
                times[name].append(taken)
    return {name: statistics.median(taken) for name, taken in times.items()}


def main() -> None:
    """Print times, ratios to the yardstick and what they are held against."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=200)
    turns = parser.parse_args().turns
    for name, body in (
        ("one hip replaced", Body(ra=17.0)),
        ("both hips replaced", Body(ra=17.0, both_replaced=True)),
    ):
        film, reading = film_and_reading(body, points=12)
        count = len(measure(film, reading, draws=0).rows)
        stood = measure(film, reading, draws=0).findings
        live = [
            (
                f"{landmark.removesuffix('_left')} dragged",
                [landmark],
                {"draws": 0, "findings": stood},
            )
            for landmark in DRAGGED
        ]
        print(f"{name}: {count} numbers")
        for label, held, how, goal in (
            ("first order", list(reading.landmarks), {"draws": 0}, f"{FIRST_ORDER_MS:g} ms"),
            ("one moved", ["cup_rim_left"], {"draws": 0}, f"{ONE_MOVED_RATIO:g} x"),
            *((*each, f"{ONE_MOVED_RATIO:g} x") for each in live),
            (f"{DRAWS} draws", [], {"draws": DRAWS}, f"{DRAWS_MS:g} ms"),
        ):
            # One kind after the other: what a drag does not move is known from its last step.
            asked = moved(reading, held)
            times = medians(
                {
                    "ours": lambda f=film, r=asked, h=how: measure(f, next(r), **h),
                    "yardstick": ellipse_by_scipy,
                },
                turns if how["draws"] == 0 else max(turns // 10, 5),
            )
            ratio = times["ours"] / times["yardstick"]
            print(
                f"  {label:22s} {times['ours']:7.2f} ms   {ratio:6.2f} x one ellipse by scipy "
                f"({times['yardstick']:.2f} ms)   goal {goal}"
            )


if __name__ == "__main__":
    main()
