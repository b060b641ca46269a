"""What simulated follow-up finds: bias, spread, coverage, false alarms, and what is flagged.

The patients are those of ``tests/series/followup/patients.py``. Run it as
``python tests/benchmarks/bench_followup.py [PAIRS] [SEED] [SPREAD]``; half of the pairs did not
move. SPREAD times the usual spread of placing: with 0.6 a migration of 4 mm can be shown.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.series.followup.patients import MOVED, SPREAD_PX, STILL, TRUTH, filmed
from xraymeasure.change.changes import changes_between

SHOWN = ("changed", "not resolved")


def report(name: str, pairs: list, truth: dict[str, float]) -> None:
    """Print one line a change."""
    flagged = [any(row.verdict in SHOWN for row in changes.rows) for changes in pairs]
    share = 100 * np.mean(flagged)
    print(f"\n{name}: {len(pairs)} pairs, {sum(flagged)} with any flag ({share:.1f} %)")
    print(*{f"{key}: {why}" for changes in pairs for key, why in changes.missing.items()}, sep="\n")
    print(
        f"{'':26}{'truth':>7}{'mean':>8}{'SE':>7}{'SD':>7}{'u':>7}{'outside':>9}{'shown':>8}"
        f"{'least':>7}{'pairs below':>13}{'shown there':>13}"
    )
    for key, true in truth.items():
        rows = [row for changes in pairs if (row := changes.row(key))]
        values = np.array([row.value for row in rows])
        u = np.mean([(row.high - row.low) / 3.92 for row in rows])
        outside = np.mean([not row.low <= true <= row.high for row in rows])
        line = (
            f"{key:26}{true:7.2f}{values.mean():8.3f}{values.std() / len(rows) ** 0.5:7.3f}"
            f"{values.std():7.3f}{u:7.3f}{100 * outside:7.1f} %"
        )
        if rows[0].verdict is not None:
            hits = np.array([row.verdict == "changed" for row in rows])
            least = np.array([row.detectable for row in rows])
            below = least < abs(true)
            there = f"{100 * hits[below].mean():11.1f} %" if below.any() else ""
            line += f"{100 * hits.mean():6.1f} %{least.mean():7.2f}{below.sum():13d}{there}"
        print(line)


def main(pairs: int = 600, seed: int = 20240101, spread: float = 1.0) -> None:
    """Simulate and print."""
    SPREAD_PX.update({name: spread * px for name, px in SPREAD_PX.items()})
    rng = np.random.default_rng(seed)
    start = time.perf_counter()
    before = [filmed(rng, STILL, 0.0) for _ in range(pairs // 2)]
    for name, hip in (("nothing moved", STILL), ("known movement", MOVED)):
        found = [changes_between(filmed(rng, hip, 5.0), first) for first in before]
        report(name, found, TRUTH if hip is MOVED else dict.fromkeys(TRUTH, 0.0))
    films = 3 * (pairs // 2)
    print(f"\n{1000 * (time.perf_counter() - start) / films:.1f} ms a film, simulation included")


if __name__ == "__main__":
    main(*(kind(word) for kind, word in zip((int, int, float), sys.argv[1:], strict=False)))
