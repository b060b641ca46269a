"""Feed mutated samples to every parser, guided by coverage; only words may come back.

Usage: python tests/fuzz/fuzz_parsers.py [--seconds N] [--megabytes N] [PARSER ...]

Each parser runs in a process of its own, for `--seconds` (300) or until it was fed `--megabytes`.
What a parser raises other than the project's own errors ends its run, with the input in
``crash-*`` in the working folder.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from xraymeasure.errors import XrayMeasureError
from xraymeasure.samples import sample_folder

if TYPE_CHECKING:
    from xraymeasure.series.study.study import Study

MOST_BYTES = 40_000


def film(content: bytes) -> None:
    """Read a film whose bytes decide what it is."""
    from xraymeasure.film.read import read_film

    _with_file(content, ".dcm", lambda path: read_film(path, seconds=5.0).display())


def text(module: str, function: str) -> Callable[[bytes], None]:
    """Parse the bytes as a text file of the project's own."""

    def parse(content: bytes) -> None:
        from importlib import import_module

        said = content.decode("utf-8", "replace")
        getattr(import_module(module), function)(said)

    return parse


def study(content: bytes) -> None:
    """Read a study of which the bytes are the table of films."""
    from xraymeasure.series.study.study import read_study

    read_study(_study_of(content))


def _study_of(films: bytes) -> Path:
    folder = Path(tempfile.gettempdir()) / f"fuzzed-study-{os.getpid()}"
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(_STUDY)
    (folder / "films.csv").write_bytes(films)
    return folder


@cache
def _read_study() -> Study:
    from xraymeasure.series.study.study import read_study

    return read_study(_study_of(b"film,file,subject\nS1-1,a.dcm,S1\n"))


def measurements(content: bytes) -> None:
    """Read a file of measurements."""
    from xraymeasure.report.measurements_file import read_measurements

    _with_file(content, ".json", read_measurements)


def kept(content: bytes) -> None:
    """Read what a run kept of a reading."""
    from xraymeasure.series.run.task import read_kept

    _with_file(content, ".json", read_kept)


def placing(content: bytes) -> None:
    """Read a reader's placing spread."""
    from xraymeasure.series.study.placing import PLACING, read_placing

    place = _read_study().folder / PLACING / "A.toml"
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(content)
    read_placing(_read_study(), "A")


def _with_file(content: bytes, suffix: str, call: Callable[[Path], object]) -> None:
    with tempfile.NamedTemporaryFile(suffix=suffix) as stream:
        stream.write(content)
        stream.flush()
        call(Path(stream.name))


_STUDY = (
    'format = "xraymeasure-study"\nversion = 1\nfilms = "films.csv"\nreaders = ["A"]\n'
    "occasions = 1\nblinded = false\nseed = 1\n"
)
_FILMS = "film,file,subject,time_point,day,side,plan,head_diameter_mm,cup_opens,sex\n" + "".join(
    f"S{n}-1,films/{n}.dcm,S{n},1 year,{n},left,{n}.plan.toml,32,anterior,f\n" for n in range(200)
)
PARSERS: dict[str, Callable[[bytes], None]] = {
    "dicom": film,
    "png": film,
    "tiff": film,
    "jpeg": film,
    "reading": text("xraymeasure.reading.file", "parse_reading"),
    "plan": text("xraymeasure.plan.plan", "parse_plan"),
    "study": study,
    "measurements": measurements,
    "kept": kept,
    "placing": placing,
}


def seeds(name: str) -> list[bytes]:
    """Return sound files of a parser's kind: cut from the samples, or what the project writes."""
    samples = sample_folder()
    if name == "dicom":
        return [_small_dicom()]
    if name in ("png", "tiff", "jpeg"):
        return _pictures(name)
    if name in ("reading", "plan"):
        pattern = {"reading": "*.reading.json", "plan": "*.plan.toml"}[name]
        return [path.read_bytes() for path in sorted(samples.glob(pattern))]
    if name == "measurements":
        from xraymeasure.examination import examine
        from xraymeasure.report.measurements_file import format_measurements
        from xraymeasure.samples import sample

        return [format_measurements(examine(*sample("well_placed"), draws=0)).encode()]
    return [{"study": _FILMS, "placing": _placing(), "kept": _kept()}[name].encode()]


def _placing() -> str:
    from xraymeasure.vocabulary.landmarks import LANDMARKS

    spread = "sd_px = 1.5\nlow_px = 1.0\nhigh_px = 2.0\nfreedom = 20\nfilms = 10\n"
    head = 'format = "xraymeasure-placing"\nversion = 1\nreader = "A"\n'
    return head + "".join(f"[landmarks.{name}]\n{spread}" for name in LANDMARKS)


def _kept() -> str:
    from xraymeasure.series.run.task import kept_text

    row = {"measurement": "femoral_offset", "side": "left", "status": "measured", "value": 41.5}
    return kept_text({"operated_side": "left", "mm_per_px": 0.2, "rows": [row] * 100})


def _small_dicom() -> bytes:
    import pydicom

    film = pydicom.dcmread(sorted(sample_folder().glob("*.dcm"))[0])
    film.decompress()
    film.PixelData = film.pixel_array[:16, :16].tobytes()
    film.Rows = film.Columns = 16
    stream = io.BytesIO()
    film.save_as(stream)
    return stream.getvalue()


def _pictures(name: str) -> list[bytes]:
    import numpy as np
    from PIL import Image

    pixels = np.random.default_rng(1).integers(0, 256, (64, 64)).astype(np.uint8)
    ways = {"tiff": ["raw", "tiff_lzw", "zstd"]}.get(name, [None])
    found = []
    for way in ways:
        stream = io.BytesIO()
        Image.fromarray(pixels).save(stream, name, **({"compression": way} if way else {}))
        found.append(stream.getvalue())
    return found


def fuzz(name: str, seconds: float, megabytes: float | None) -> None:
    """Feed one parser; does not return where atheris ends the process."""
    import atheris

    fed = 0

    def once(content: bytes) -> None:
        nonlocal fed
        before, fed = fed, fed + len(content)
        if fed // 100_000 > before // 100_000:
            print(f"{name}: {fed / 1e6:.1f} MB fed, nothing uncaught", flush=True)
        if megabytes is not None and fed > megabytes * 1e6:
            os._exit(0)
        try:
            PARSERS[name](content)
        except XrayMeasureError as error:
            assert str(error).isprintable()

    with tempfile.TemporaryDirectory() as corpus:
        # What a seed makes a parser import is told apart by the branches taken in it.
        with atheris.instrument_imports(include=["xraymeasure", "tomllib"]):
            for number, content in enumerate(seeds(name)):
                (Path(corpus) / f"seed{number}").write_bytes(content)
                once(content)
        limits = f"-max_len={MOST_BYTES}", "-timeout=20", f"-max_total_time={seconds:.0f}"
        # Inputs stay as long as the seeds are: many bytes are fed, not many short inputs.
        long = "-len_control=0", "-reduce_inputs=0"
        atheris.Setup([sys.argv[0], corpus, *limits, *long, "-seed=1"], once)
        atheris.Fuzz()


def main() -> int:
    """Run each parser in a process of its own; return how many raised something uncaught."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("parsers", nargs="*", choices=[*PARSERS, []], metavar="PARSER")
    ask.add_argument("--seconds", type=float, default=300.0)
    ask.add_argument("--megabytes", type=float)
    ask.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    told = ask.parse_args()
    if told.here:
        fuzz(told.parsers[0], told.seconds, told.megabytes)
        return 0
    broken = 0
    for name in told.parsers or PARSERS:
        command = [sys.executable, __file__, name, "--here", "--seconds", str(told.seconds)]
        if told.megabytes is not None:
            command += ["--megabytes", str(told.megabytes)]
        # A parser's run is ended from within, with what it wrote still there.
        with tempfile.TemporaryDirectory() as place:
            environment = {**os.environ, "TMPDIR": place}
            done = subprocess.run(command, capture_output=True, text=True, env=environment)
        said = (done.stdout + done.stderr).strip().splitlines()
        counted = {line[:4]: line for line in said if line.startswith(("Done", name))}
        print("; ".join(counted.values()) or f"{name}: exit code {done.returncode}", flush=True)
        if done.returncode:
            broken += 1
            print("\n".join(said[-30:]))
    return broken


if __name__ == "__main__":
    sys.exit(main())
