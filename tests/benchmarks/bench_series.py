"""Throughput and memory of a series: 1,000 phantom readings on small films.

    python tests/benchmarks/bench_series.py [--readings 1000] [--draws 2048]

Prints readings a second with one and with two workers and their ratio, the peak resident memory of
the whole family of processes over the first and the last hundred readings, and whether the tables
are the same bytes. Run it on a quiet machine: another busy process takes one of two cores away.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil

from xraymeasure.measuring.measure import DRAWS
from xraymeasure.phantom.dicom import film_dataset
from xraymeasure.phantom.reader import simulate_reading
from xraymeasure.phantom.scenarios import samples
from xraymeasure.reading.file import parse_reading
from xraymeasure.series.run.run import run_study
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.study import Study, read_study

STUDY = """\
format = "xraymeasure-study"
version = 1
title = "Invented study"
films = "films.csv"
readers = ["A"]
occasions = 1
blinded = true
seed = 1
"""


def make_study(folder: Path, readings: int) -> Study:
    """Write a study of small films, each with another cup and one simulated reading."""
    (folder / "films").mkdir(parents=True)
    base = samples(1)[0].scenario
    base = replace(base, geometry=base.geometry.coarser(4))
    hip = base.hips["left"]
    shape = base.geometry.rows, base.geometry.columns
    rng = np.random.default_rng(0)
    lines = ["film,file,subject"]
    texts = []
    for number in range(readings):
        inclination, anteversion = rng.normal(42, 5), rng.normal(17, 4)
        cup = replace(hip.cup, inclination_deg=inclination, anteversion_deg=anteversion)
        scenario = replace(base, hips={**base.hips, "left": replace(hip, cup=cup)})
        pixels = rng.integers(0, 4096, shape, dtype=np.uint16)
        film_dataset(scenario, pixels).save_as(folder / "films" / f"{number}.dcm")
        lines.append(f"F{number:04d},films/{number}.dcm,S{number:04d}")
        texts.append(json.dumps(simulate_reading(scenario, rng, reader="A")))
    (folder / "films.csv").write_text("\n".join(lines))
    (folder / "study.toml").write_text(STUDY)
    study = read_study(folder)
    for film, text in zip(study.films, texts, strict=True):
        add_reading(study, film.label, 1, parse_reading(text))
    return study


class Memory:
    """Samples the resident memory of this process and its children, by readings done."""

    def __init__(self) -> None:
        self.done = 0
        self.samples: list[tuple[int, int, int]] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __call__(self, done: int, total: int) -> None:
        self.done = done

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _watch(self) -> None:
        own = psutil.Process()
        while not self._ended.wait(0.1):
            children = 0
            for child in own.children(recursive=True):
                try:
                    children += child.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            self.samples.append((self.done, own.memory_info().rss, children))

    def peaks(self, first: int, last: int) -> tuple[float, float]:
        """Peak MB of the run itself, and of its workers, while `first` to `last` were done."""
        chosen = [sample for sample in self.samples if first <= sample[0] <= last]
        return tuple(max(sample[i] for sample in chosen) / 1e6 for i in (1, 2))


def timed(study: Study, workers: int, draws: int) -> tuple[RunSummary, Memory]:
    shutil.rmtree(study.folder / "results", ignore_errors=True)
    with Memory() as memory:
        return run_study(study, workers=workers, draws=draws, progress=memory), memory


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=DRAWS)
    parser.add_argument("--rounds", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        study = make_study(Path(folder) / "study", given.readings)
        print(f"study of {given.readings} made in {time.perf_counter() - begun:.0f} s")
        print(f"load before: {os.getloadavg()[0]:.2f}, cores: {os.cpu_count()}")
        ratios, tables = [], set()
        for _ in range(given.rounds):
            rates = {}
            for workers in (1, 2):
                summary, memory = timed(study, workers, given.draws)
                assert summary.measured == given.readings, summary.failed[:3]
                tables.add((summary.csv.read_bytes(), summary.parquet.read_bytes()))
                rates[workers] = given.readings / summary.seconds
                # While the first hundred are done the workers are still importing: from the
                # tenth on they are at work.
                first = memory.peaks(10, 100)
                last = memory.peaks(given.readings - 100, given.readings - 1)
                print(
                    f"{workers} worker(s): {rates[workers]:.2f} readings/s "
                    f"({summary.seconds:.1f} s); peak MB first 100 / last 100: "
                    f"run {first[0]:.0f} / {last[0]:.0f}, workers {first[1]:.0f} / {last[1]:.0f}, "
                    f"together {sum(last) / sum(first) - 1:+.1%}"
                )
            ratios.append(rates[2] / rates[1])
        print(f"two workers against one: {statistics.median(ratios):.2f} x")
        print(f"same table each time: {len(tables) == 1}")
        again = run_study(study, workers=2, draws=given.draws)
        assert again.measured == 0
        print(f"rerun with nothing changed: {again.seconds:.1f} s")


if __name__ == "__main__":
    main()
