"""How often each 95 % interval holds the truth, on films drawn from the model of its spreads.

    python -m tests.benchmarks.bench_coverage [FILMS]

Prints the share of 2,000 films (or FILMS) of each kind by measurement; a right interval lies
between 93 and 97 % and what does not is marked. Uses every core.
"""

import os
import sys
from concurrent.futures import ProcessPoolExecutor

from tests.published.drawn_films import bodies, held

EDGE_ON = ("teardrop", "femoral_head", "cup_rim")
KINDS = {
    "tube and beam stated by the reader": ("reading", None, 0, None),
    "tube from the film": ("film", None, 0, None),
    "rim edge on": ("reading", (0.0, 3.0), 500, EDGE_ON),
}


def main(films):
    bodies()  # made once, before the processes part
    cores = os.cpu_count() or 1
    parts = 4 * cores
    with ProcessPoolExecutor(cores) as pool:
        for kind, how in KINDS.items():
            tasks = [(seed, films // parts, *how) for seed in range(11, 11 + parts)]
            counts = list(pool.map(held, tasks))
            print(f"\n{kind}, {films // parts * parts} films")
            for key in sorted(set().union(*counts), key=str):
                right, wrong = sum(part[key] for part in counts if key in part)
                share = right / (right + wrong)
                mark = "" if key == "refused" or 0.93 <= share <= 0.97 else "  <--"
                name = "measured" if key == "refused" else " ".join(filter(None, key))
                print(f"{name:60}{share:8.3f}{right + wrong:8}{mark}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
