"""What a film's page costs: processor seconds for its PDF and HTML, beside those of its numbers.

    python -m tests.benchmarks.bench_page [NAME ...]

Prints for each sample film the least of ten runs, and the ratio to measuring it first-order.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import xraymeasure as xm
from xraymeasure.report.page.html import html_page
from xraymeasure.report.page.page import pdf_pages, report_pages


def least(call: Callable[[], object]) -> float:
    """Return the least processor time of ten calls, after one that warms up, seconds."""
    call()
    taken = []
    for _ in range(10):
        started = time.process_time()
        call()
        taken.append(time.process_time() - started)
    return min(taken)


if __name__ == "__main__":
    for name in sys.argv[1:] or ["well_placed", "bilateral", "long_leg"]:
        film, reading, plan = xm.sample(name)
        found = xm.examine(film, reading, plan, draws=0, helps=False)
        pages = report_pages(found)
        build = least(lambda found=found: report_pages(found))
        pdf = least(lambda pages=pages: pdf_pages(pages))
        html = least(lambda pages=pages: html_page(pages))
        numbers = least(lambda f=film, r=reading: xm.measure(f, r, draws=0))
        print(
            f"{name:12} laid out {build:.3f} s, PDF {pdf:.3f} s, HTML {html:.3f} s, "
            f"all {build + pdf + html:.3f} s: {(build + pdf + html) / numbers:.1f} x measuring"
        )
