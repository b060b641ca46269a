"""What a kill leaves of each command's outputs: the old set, the new one, or some of both.

Run as ``python -m tests.benchmarks.bench_kills [--kills 20] [COMMAND ...]``. A command has run;
something changes (a reading, a size), it runs again and is killed (SIGKILL), half of the times at
moments spread over its whole run, else at any after it began to write. Whoever comes next ends or
undoes what was left; after that the files of a folder must all be the old ones or all be the new
ones. POSIX only.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from xraymeasure.cli import app
from xraymeasure.errors import XrayMeasureError
from xraymeasure.files.atomic import settle
from xraymeasure.phantom.dicom import film_dataset
from xraymeasure.phantom.reader import simulate_reading
from xraymeasure.phantom.scenarios import samples
from xraymeasure.reading.file import parse_reading
from xraymeasure.samples import sample_folder
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.study import read_study

NO_OUTPUTS = {"readings", "films", "frozen", "cache"}
STUDY = """\
format = "xraymeasure-study"
version = 1
title = "Invented study"
films = "films.csv"
readers = ["A", "B"]
occasions = 1
blinded = true
seed = 1
"""


def reading_of(scenario, seed, reader):
    record = simulate_reading(scenario, np.random.default_rng(seed), reader=reader)
    return parse_reading(json.dumps(record))


def make_study(folder: Path) -> None:
    """Write two patients' films of two days, read by two readers."""
    scenario = samples(1)[0].scenario
    scenario = replace(scenario, geometry=scenario.geometry.coarser(4))
    (folder / "films").mkdir(parents=True)
    rows = ["film,file,subject,time_point,day,side"]
    for number in range(4):
        pixels = np.full((scenario.geometry.rows, scenario.geometry.columns), 100 + number)
        film_dataset(scenario, pixels.astype(np.uint16)).save_as(folder / f"films/{number}.dcm")
        day = number % 2 * 300
        rows.append(f"F{number},films/{number}.dcm,S{number // 2},day {day},{day},left")
    (folder / "films.csv").write_text("\n".join(rows))
    (folder / "study.toml").write_text(STUDY)
    study = read_study(folder)
    for number, film in enumerate(study.films):
        for reader in study.readers:
            seed = [number, ord(reader)]
            add_reading(study, film.label, 1, reading_of(scenario, seed, reader))


def reread(folder: Path) -> None:
    """Add a later reading of one film by each reader."""
    scenario = samples(1)[0].scenario
    scenario = replace(scenario, geometry=scenario.geometry.coarser(4))
    study = read_study(folder)
    for reader in study.readers:
        later = reading_of(scenario, [9, ord(reader)], reader)
        add_reading(study, "F1", 1, replace(later, read_at="2031-01-01T00:00:00Z"))


def sample_copied(folder: Path) -> None:
    """Write a sample film, its reading and plan."""
    folder.mkdir()
    for kind in ("dcm", "reading.json", "plan.toml"):
        shutil.copy(sample_folder() / f"well_placed.{kind}", folder / f"film.{kind}")


def head_resized(folder: Path) -> None:
    """State another head in the sample's reading, and leave the plan out of it."""
    path = folder / "film.reading.json"
    path.write_text(path.read_text().replace('"head_diameter_mm": 36', '"head_diameter_mm": 32'))
    path = folder / "film.plan.toml"
    path.write_text(path.read_text().replace("head_diameter_mm = 36", "head_diameter_mm = 32"))


def sample_in_study(folder: Path) -> None:
    """Write a study of one sample film, of which the head's size is known."""
    (folder / "films").mkdir(parents=True)
    shutil.copy(sample_folder() / "well_placed.dcm", folder / "films" / "0.dcm")
    head = "film,file,subject,side,head_diameter_mm\n"
    (folder / "films.csv").write_text(f"{head}F0,films/0.dcm,S0,left,36\n")
    (folder / "study.toml").write_text(STUDY)


def size_in_study(folder: Path) -> None:
    """State another size of that head."""
    path = folder / "films.csv"
    path.write_text(path.read_text().replace("left,36", "left,32"))


ALONE = ("--workers", "0")
COMMANDS = {
    "measure": (
        sample_copied, head_resized,
        ("measure", "film.dcm", "--reading", "film.reading.json", "--plan", "film.plan.toml",
         "--out", "out"),
    ),
    "propose": (
        sample_copied, lambda folder: None,
        ("propose", "film.dcm", "--head-diameter", "HEAD", "--force",
         "--out", "out/r.reading.json"),
    ),
    "series run": (make_study, reread, ("series", "run", ".", *ALONE)),
    "series followup": (make_study, reread, ("series", "followup", ".", *ALONE)),
    "series agreement": (make_study, reread, ("series", "agreement", ".", *ALONE)),
    "series propose": (sample_in_study, size_in_study, ("series", "propose", ".", *ALONE)),
}  # fmt: skip


def started(folder: Path, call: tuple[str, ...]) -> int:
    """Start a command in a process of its own, without the time to load the program."""
    pid = os.fork()
    if pid:
        return pid
    os.chdir(folder)
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    code = 0
    try:
        app(list(call), standalone_mode=False)
    except XrayMeasureError:
        code = 2
    finally:
        os._exit(code)


def outputs(folder: Path) -> dict[Path, dict[str, bytes]]:
    """Return the files that a command wrote, by their folder, but for when a reading was made."""
    found: dict[Path, dict[str, bytes]] = {}
    for path in sorted(folder.rglob("*")):
        place = path.relative_to(folder).parent
        if path.is_file() and place.parts and not NO_OUTPUTS.intersection(place.parts):
            content = re.sub(rb'"read_at": "[^"]*"', b"", path.read_bytes())
            found.setdefault(place, {})[path.name] = content
    return found


def until_written(folder: Path, pid: int) -> None:
    """Wait until a process begins to write outputs, or has ended."""
    while os.waitpid(pid, os.WNOHANG) == (0, 0):
        for at, folders, files in os.walk(folder):
            ours = not NO_OUTPUTS.intersection(Path(at).relative_to(folder).parts)
            if ours and any(".xm-" in name for name in (*folders, *files)):
                return
        time.sleep(0.0005)


def left_by(old: dict[str, bytes], new: dict[str, bytes], there: dict[str, bytes]) -> str:
    """Return in a word what a folder holds."""
    if there == old:
        return "old"
    return "new" if there == new else "MIXED"


def killed(command: str, kills: int, place: Path) -> Counter[str]:
    """Kill a command so many times; return how often a folder was found in which state."""
    make, change, call = COMMANDS[command]
    work, before, after = place / "work", place / "before", place / "after"
    first = tuple("36" if part == "HEAD" else part for part in call)
    then = tuple("32" if part == "HEAD" else part for part in call)
    make(work)
    (work / "out").mkdir(exist_ok=True)
    os.waitpid(started(work, first), 0)
    change(work)
    shutil.copytree(work, before)
    began, pid = time.monotonic(), started(work, then)
    until_written(work, pid)
    wrote = time.monotonic()
    with suppress(ChildProcessError):
        os.waitpid(pid, 0)
    whole, writing = (time.monotonic() - since for since in (began, wrote))
    shutil.copytree(work, after)
    old, new = outputs(before), outputs(after)
    assert old.keys() == new.keys() and all(old[at] != new[at] for at in old), "nothing changes"
    chance, found = random.Random(1), Counter[str]()
    for number in range(kills):
        shutil.rmtree(work)
        shutil.copytree(before, work)
        pid = started(work, then)
        if number % 2:
            time.sleep(whole * (number + 1) / kills)
        else:
            until_written(work, pid)
            time.sleep(chance.random() * writing)
        try:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        except (ProcessLookupError, ChildProcessError):
            found["had ended"] += 1
        for at in [work, *(path for path in work.rglob("*") if path.is_dir())]:
            settle(at)
        there = outputs(work)
        for at in old:
            state = left_by(old[at], new[at], there.get(at, {}))
            found[state] += 1
            if state == "MIXED":
                print(f"  {at}: ", {
                    name: left_by({name: old[at].get(name)}, {name: new[at].get(name)},
                                  {name: there[at].get(name)})
                    for name in {*old[at], *new[at], *there[at]}
                })  # fmt: skip
    return found


def main() -> int:
    """Return how many folders were found with files of two runs."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("commands", nargs="*", choices=[*COMMANDS, []], metavar="COMMAND")
    ask.add_argument("--kills", type=int, default=20)
    told = ask.parse_args()
    mixed = 0
    for command in told.commands or COMMANDS:
        with tempfile.TemporaryDirectory() as place:
            found = killed(command, told.kills, Path(place))
        print(f"{command}: {told.kills} kills; folders found {dict(found)}", flush=True)
        mixed += found["MIXED"]
    return mixed


if __name__ == "__main__":
    sys.exit(bool(main()))
