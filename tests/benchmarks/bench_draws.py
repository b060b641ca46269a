"""How steady the ends of the intervals are: our draws against 10,000 pseudo-random ones.

Run as ``python -m tests.benchmarks.bench_draws [--seeds 16] [--draws 512 1024 2048]``. For each
body every number is measured with many seeds; printed is how far the ends of its interval scatter
over the seeds, in standard uncertainties of the number, in the middle and at worst over all
numbers, and relative to what as many seeds of 10,000 pseudo-random draws without any correction do
(JCGM 101:2008).
"""

from __future__ import annotations

import argparse
from unittest import mock

import numpy as np

from tests.camera import Body, film_and_reading
from xraymeasure.film.film import Film
from xraymeasure.measuring import draws
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.reading import Reading
from xraymeasure.samples import sample

PSEUDO_RANDOM = 10_000


def scatter(film: Film, reading: Reading, count: int, seeds: int) -> dict[tuple, float]:
    """Return by number how far its ends scatter, in its standard uncertainties."""
    ends: dict[tuple, list] = {}
    for seed in range(seeds):
        for row in measure(film, reading, draws=count, seed=seed).rows:
            if row.standard_uncertainty > 0.0 and row.method != "ellipse":
                key = row.name, row.side, row.method
                ends.setdefault(key, []).append(
                    np.array([row.low, row.high]) / row.standard_uncertainty
                )
    return {key: float(np.std(each, axis=0, ddof=1).mean()) for key, each in ends.items()}


def pseudo_random(film: Film, reading: Reading, seeds: int) -> dict[tuple, float]:
    """Return the same with pseudo-random draws that nothing corrects."""

    def normal(size: int, count: int, seed: int, first: tuple[int, ...]) -> draws.Deviations:
        points = np.random.default_rng(seed).standard_normal((size, count))
        return draws.Deviations(points, np.arange(size), np.ones(size))

    def plain(self: draws.Draws, probabilities: list[float], keys: list[tuple]) -> np.ndarray:
        return np.quantile(self.table[[self.rows[key] for key in keys]], probabilities, axis=1)

    with (
        mock.patch.object(draws, "_even_deviations", normal),
        mock.patch.object(draws.Draws, "quantiles", plain),
    ):
        return scatter(film, reading, PSEUDO_RANDOM, seeds)


def main() -> None:
    """Print one block for each body."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=16)
    parser.add_argument("--draws", type=int, nargs="+", default=[512, 1024, 2048])
    asked = parser.parse_args()
    films = {
        "one hip": film_and_reading(Body(ra=17.0), points=12),
        "a flat rim": film_and_reading(Body(ra=5.0), points=10),
        "both hips": film_and_reading(Body(ra=17.0, both_replaced=True), points=12),
        "a sample film": sample("well_placed")[:2],
    }
    for name, (film, reading) in films.items():
        yardstick = {
            key: each
            for key, each in pseudo_random(film, reading, asked.seeds).items()
            if each > 1e-6  # none for what is not drawn
        }
        print(f"{name}: {len(yardstick)} numbers; scatter of the ends in standard uncertainties")
        for label, found in (
            (f"{PSEUDO_RANDOM} pseudo-random", yardstick),
            *((f"{n} of ours", scatter(film, reading, n, asked.seeds)) for n in asked.draws),
        ):
            each = np.array([found[key] for key in yardstick])
            ratio = each / np.array(list(yardstick.values()))
            print(
                f"  {label:20s} middle {np.median(each):.3f}  worst {each.max():.3f}   "
                f"relative: middle {np.median(ratio):.2f}  worst {ratio.max():.2f}"
            )


if __name__ == "__main__":
    main()
