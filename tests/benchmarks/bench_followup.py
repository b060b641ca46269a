"""What simulated follow-up finds: bias, spread, coverage, false alarms, and what is flagged.

The patients are those of ``tests/series/test_followup_simulated.py``. Run it as
``python tests/benchmarks/bench_followup.py [PAIRS]``.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "series"))

from test_followup_simulated import MOVED, STILL, TRUTH, filmed

from xraymeasure.change.changes import changes_between


def report(name: str, pairs: list, truth: dict[str, float]) -> None:
    """Print one line a change."""
    comparable = [not changes.comparability.failed("femur") for changes in pairs]
    flagged = [any(row.verdict == "changed" for row in changes.rows) for changes in pairs]
    print(
        f"\n{name}: {len(pairs)} pairs, {100 * np.mean(comparable):.0f} % comparable, "
        f"{100 * np.mean(flagged):.1f} % with any flag"
    )
    print(
        f"{'':26}{'truth':>8}{'mean':>8}{'SE':>7}{'SD':>7}{'u':>7}{'not covered':>13}{'flagged':>9}"
    )
    for key, true in truth.items():
        rows = [changes.row(key) for changes in pairs]
        values = np.array([row.value for row in rows])
        u = np.mean([(row.high - row.low) / 3.92 for row in rows])
        outside = np.mean([not row.low <= true <= row.high for row in rows])
        hits = np.mean([row.verdict == "changed" for row in rows])
        print(
            f"{key:26}{true:8.2f}{values.mean():8.3f}{values.std() / len(rows) ** 0.5:7.3f}"
            f"{values.std():7.3f}{u:7.3f}{100 * outside:11.1f} %{100 * hits:7.1f} %"
        )


def main(pairs: int) -> None:
    """Simulate and print."""
    rng = np.random.default_rng(20240101)
    start = time.perf_counter()
    before = [filmed(rng, STILL, 0.0) for _ in range(pairs)]
    for name, hip in (("nothing moved", STILL), ("known movement", MOVED)):
        found = [changes_between(filmed(rng, hip, 5.0), first) for first in before]
        report(name, found, TRUTH if hip is MOVED else dict.fromkeys(TRUTH, 0.0))
    print(
        f"\n{1000 * (time.perf_counter() - start) / (3 * pairs):.1f} ms a film, simulation included"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
