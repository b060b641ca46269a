"""How good proposals are: over invented films drawn at random, or over a folder of read films.

    python tests/benchmarks/bench_propose.py                  # 300 films, a quiet night
    python tests/benchmarks/bench_propose.py --films 300 --kinds native --keep native.jsonl
    python tests/benchmarks/bench_propose.py FOLDER

A folder holds films, each with a reading beside it (FILM.reading.json) that a person placed: head,
rim and, where known, the head's diameter. The proposals are held against what is measured from the
readings. Invented films are held against their truth, which the readings of a simulated person
would not reach. With --keep each film's result is added to a file as it comes; films that are in
the file are not made again, so that a run can be stopped and go on. Nothing is asserted; errors are
proposed minus true.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from xraymeasure.detect.propose import propose, proposed_reading
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film, film_from_array
from xraymeasure.film.greys import Greys
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.phantom.render import picture
from xraymeasure.phantom.truth import truth
from xraymeasure.phantom.variants import VARIANTS, Variant, random_scenario
from xraymeasure.reading.file import read_reading
from xraymeasure.vocabulary.landmarks import SIDES

PITCH_MM, BONE_SPACING_MM = 0.35, 3.0
"""Coarse bones and pixels: a film in some seconds. The metal is exact."""
WARP_MM = 5.0
"""Bones are bent at random, so that no two pelvises are alike."""
FIRST_SEED = 1000
"""The thresholds and intervals of the method were set on films of seeds below 250."""
WRONG_DEG = 2.5
PICTURES = (".dcm", ".png", ".tif", ".tiff", ".jpg", ".jpeg")


@dataclass(frozen=True)
class TrueHip:
    """What is true of one replaced hip; angles in degrees, lengths in pixels."""

    inclination: float
    anteversion: float
    head_diameter_px: float
    head_mm: float
    centre: tuple[float, float] | None = None


@dataclass(frozen=True)
class Case:
    """A film with what is true of its replaced hips."""

    kind: str
    film: Film
    hips: dict[str, TrueHip]


def invented(
    count: int, kinds: Sequence[Variant], first_seed: int, kept: set[str]
) -> Iterator[Case]:
    """Yield random films of each kind in turn, but those whose names are `kept`."""
    for number in range(count):
        seed, kind = divmod(number, len(kinds))
        if f"{kinds[kind]}_{first_seed + seed:03d}" not in kept:
            yield invented_case(kinds[kind], first_seed + seed)


def invented_case(
    variant: Variant,
    seed: int,
    bone_spacing_mm: float = BONE_SPACING_MM,
    warp_mm: float = WARP_MM,
) -> Case:
    """Return one random film and its truth."""
    scenario = random_scenario(variant, seed, PITCH_MM)
    pixels = picture(scenario, bone_spacing_mm=bone_spacing_mm, warp_mm=warp_mm)
    known = truth(scenario)
    inverted = scenario.photometric == "MONOCHROME1"
    film = film_from_array(
        4095 - pixels if inverted else pixels,
        source=scenario.name,
        pitch_mm=scenario.geometry.pitch_mm,
        beam_centre=scenario.geometry.foot,
        source_detector_mm=scenario.geometry.source_detector_mm,
        greys=Greys(inverted=inverted),
    )
    hips = {}
    for side in SIDES:
        if not scenario.hips[side].replaced:
            continue
        numbers = known["measurements"]
        centre = scenario.geometry.project(np.array(known["hip_centre_mm"][side]))
        hips[side] = TrueHip(
            numbers["radiographic_inclination"][side],
            numbers["radiographic_anteversion"][side],
            numbers["head_diameter_px"][side],
            scenario.hips[side].head.diameter_mm,
            (float(centre[0]), float(centre[1])),
        )
    return Case(variant, film, hips)


def read_cases(folder: Path) -> Iterator[Case]:
    """Yield the films of a folder that have a reading beside them."""
    for path in sorted(folder.rglob("*")):
        beside = path.with_suffix(".reading.json")
        if path.suffix.lower() not in PICTURES or not beside.exists():
            continue
        try:
            film, reading = read_film(path), read_reading(beside)
            rows = {
                (row.name, row.side): row.value
                for row in measure(film, reading, draws=0).rows
                if row.primary
            }
        except XrayMeasureError as error:
            print(f"{path}: {error}", file=sys.stderr)
            continue
        hips = {
            side: TrueHip(
                rows["radiographic_inclination", side],
                rows["radiographic_anteversion", side],
                rows["head_diameter_px", side],
                reading.head_diameter_mm[side],
            )
            for side in SIDES
            if ("radiographic_anteversion", side) in rows and side in reading.head_diameter_mm
        }
        yield Case("read", film, hips)


def judged(case: Case) -> tuple[list[dict[str, float]], dict[str, float]]:
    """Return the errors of each proposal, and what the film cost and yielded."""
    heads = {side: hip.head_mm for side, hip in case.hips.items()}
    started = time.process_time()
    # Tube and beam are as the film says, and taken as known: what is judged is the picture's part.
    stated = {
        "head_diameter_mm": heads,
        "beam_centre": case.film.beam_centre,
        "source_detector_mm": case.film.source_detector_mm,
    }
    found = propose(case.film, **stated)
    seconds = time.process_time() - started
    rows = []
    if found.hips:
        reading = proposed_reading(case.film, found, **stated)
        measured = {
            (row.name, row.side): row
            for row in measure(case.film, reading, draws=0).rows
            if row.primary
        }
    for hip in found.hips:
        true = case.hips.get(hip.side)
        if true is None:
            continue
        # Which of the two poses is meant is taken as known: a film does not tell.
        poses = ((hip.inclination_deg, hip.anteversion_deg), hip.other_pose_deg)
        pose = min(poses, key=lambda each, true=true: abs(each[1] - true.anteversion))
        row = {
            "inclination": pose[0] - true.inclination,
            "anteversion": pose[1] - true.anteversion,
            "u_inclination": hip.angle_sd_deg[0],
            "u_anteversion": hip.angle_sd_deg[1],
            "doubtful": float(bool(hip.doubts)),
            "misfit": hip.misfit,
        }
        size = measured["head_diameter_px", hip.side]
        row["head_percent"] = 100.0 * (size.value / true.head_diameter_px - 1.0)
        if true.centre is not None:
            outline = np.array(hip.landmarks[f"femoral_head_{hip.side}"])
            off = outline.mean(axis=0) - true.centre
            row["centre_mm"] = float(np.hypot(*off)) * case.film.spacing.detector_mm[0] / 1.17
        for k, name in enumerate(("inclination", "anteversion")):
            number = measured[f"radiographic_{name}", hip.side]
            half = 0.5 * (number.high - number.low)
            row[f"held_{name}"] = float(abs(pose[k] - getattr(true, name)) <= half)
        rows.append(row)
    missed = len(case.hips) - len(rows)
    false = len(found.hips) - len(rows)
    return rows, {"missed": missed, "false": false, "seconds": seconds}


def table(
    kinds: dict[str, list[dict[str, float]]], films: dict[str, list[dict[str, float]]]
) -> str:
    """Return the table, one line a kind of film."""
    lines = [
        "kind            films  hips  found  false  doubt  wrong   |dRI| 95 %  |dRA| 95 %"
        "   held RI  RA  |head| 95 %  centre 95 %   CPU s"
    ]
    for kind in [*films, "all"]:
        rows = [row for each in kinds.values() for row in each] if kind == "all" else kinds[kind]
        costs = [one for each in films.values() for one in each] if kind == "all" else films[kind]
        hips = len(rows) + int(sum(cost["missed"] for cost in costs))

        def of(name: str, share: float = 95.0, rows: list[dict[str, float]] = rows) -> float:
            values = [abs(row[name]) for row in rows if name in row]
            return float(np.percentile(values, share)) if values else float("nan")

        def mean(name: str, rows: list[dict[str, float]] = rows) -> float:
            return 100.0 * float(np.mean([row[name] for row in rows])) if rows else float("nan")

        share = 100.0 * len(rows) / hips if hips else float("nan")
        false = sum(cost["false"] for cost in costs)
        # Wrong and not said to be doubtful.
        wrong = sum(
            max(abs(row["inclination"]), abs(row["anteversion"])) > WRONG_DEG
            and not row["doubtful"]
            for row in rows
        )
        lines.append(
            f"{kind:<15} {len(costs):5d} {hips:5d} {share:5.0f}% {false:6.0f}"
            f" {mean('doubtful'):5.0f}% {wrong:5d}"
            f"  {of('inclination'):9.2f}°  {of('anteversion'):9.2f}°"
            f" {mean('held_inclination'):8.0f}% {mean('held_anteversion'):3.0f}%"
            f" {of('head_percent'):9.2f} %  {of('centre_mm'):8.2f} mm"
            f" {np.mean([c['seconds'] for c in costs]):8.2f}"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?", help="films with readings beside them")
    parser.add_argument("--films", type=int, default=300, help="how many invented films")
    parser.add_argument("--kinds", nargs="+", choices=VARIANTS, default=VARIANTS)
    parser.add_argument("--keep", type=Path, help="file of results: go on where it ends")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    chosen = parser.parse_args()
    kinds: dict[str, list[dict[str, float]]] = defaultdict(list)
    films: dict[str, list[dict[str, float]]] = defaultdict(list)

    def count(result: dict[str, Any]) -> None:
        kinds[result["kind"]] += result["rows"]
        films[result["kind"]].append(result["cost"])

    kept = []
    if chosen.keep and chosen.keep.exists():
        kept = [json.loads(line) for line in chosen.keep.read_text().splitlines()]
    for result in kept:
        count(result)
    cases = (
        read_cases(chosen.folder)
        if chosen.folder
        else invented(
            chosen.films, chosen.kinds, chosen.first_seed, {result["film"] for result in kept}
        )
    )
    for case in cases:
        rows, cost = judged(case)
        result = {"film": case.film.source, "kind": case.kind, "rows": rows, "cost": cost}
        count(result)
        if chosen.keep:
            with chosen.keep.open("a") as file:
                file.write(json.dumps(result) + "\n")
    print(table(kinds, films))


if __name__ == "__main__":
    main()
