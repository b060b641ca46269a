"""The command line: parse, call, print. Results go to standard output, everything else to error."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from typer.exceptions import TyperException

from xraymeasure.about import CAUTION
from xraymeasure.errors import XrayMeasureError
from xraymeasure.series.commands import app as series_app
from xraymeasure.terminal import DONE, NOTHING, OUTSIDE, WRONG, OutFolder, answer, complain, tell

if TYPE_CHECKING:
    from collections.abc import Callable

    from xraymeasure.examination import Examination
    from xraymeasure.measuring.results import Measurements

app = typer.Typer(
    name="xraymeasure",
    help=(
        "Measure a post-operative AP pelvis radiograph from the landmarks placed on it, with the "
        f"uncertainty of every number, and hold it against the plan. {CAUTION}"
    ),
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    no_args_is_help=True,
)
app.add_typer(series_app, name="series")

FilmPath = Annotated[Path, typer.Argument(metavar="FILM", help="DICOM, PNG, TIFF or JPEG.")]


def main() -> None:
    """Run the command line; every error that a user can cause is one line and exit code 2."""
    try:
        code = app(standalone_mode=False)
    except TyperException as error:
        _explain(error)
        code = WRONG
    except XrayMeasureError as error:
        complain(str(error))
        code = WRONG
    except (KeyboardInterrupt, typer.Abort):
        complain("stopped")
        code = 130
    except BrokenPipeError:
        # The reader of our output has seen enough; that is no fault.
        sys.stderr.close()
        code = DONE
    except OSError as error:
        # The disk, the share or the permissions; whoever met it had no better words for it.
        where = f"{error.filename}: " if error.filename else ""
        complain(f"{where}{error.strerror or error}; check the disk and the permissions")
        code = WRONG
    sys.exit(code or DONE)


def _explain(error: TyperException) -> None:
    """Print what is wrong with a call; where no command was named, the page that lists them."""
    said = error.format_message() if hasattr(error, "format_message") else str(error)
    if said.startswith("Usage:"):
        tell(said)
        return
    context = getattr(error, "ctx", None)
    where = (
        "" if context is None else context.command_path.replace(context.find_root().info_name, "")
    )
    complain(f"{said.replace('Value error, ', '')} (see: xraymeasure{where} --help)")


@app.command()
def measure(
    film: FilmPath,
    reading: Annotated[Path, typer.Option(metavar="R", help="The landmarks (*.reading.json).")],
    plan: Annotated[Path | None, typer.Option(metavar="P", help="The plan (*.plan.toml).")] = None,
    before: Annotated[
        tuple[Path, Path] | None,
        typer.Option(metavar="FILM R", help="An earlier film of the same hips, and its reading."),
    ] = None,
    out: OutFolder = None,
    json: Annotated[bool, typer.Option("--json", help="Print measurements.json.")] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit 3 unless all that is compared is within.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Overwrite the measurements of another film.")
    ] = False,
) -> int:
    """Measure one film and, with a plan, compare."""
    if strict and plan is None:
        raise XrayMeasureError("--strict holds the film against a plan; name it with --plan")
    found = _examined(film, reading, plan, before)
    if out is not None:
        _refuse_to_overwrite(out, found.measurements, force)
        # The film's own name is often that of the patient.
        for path in found.write(out):
            tell(f"written: {path}")
    if json:
        from xraymeasure.report.measurements_file import format_measurements

        print(format_measurements(found), end="")
    else:
        from xraymeasure.report.text import examination_text

        answer(examination_text(found))
        answer(CAUTION)
    verdicts = {row.verdict for row in found.compared} - {None}
    if strict and not verdicts:
        complain(
            "nothing was compared: the plan has no number with a tolerance that is on the film"
        )
    if not found.measurements.rows:
        complain(f"{reading}: nothing was measured; what is missing is listed")
        return OUTSIDE if strict else NOTHING
    sound = verdicts == {"within"} and not any(
        finding.severity == "strong" for finding in found.findings
    )
    return OUTSIDE if strict and not sound else DONE


def _examined(
    film: Path, reading: Path, plan: Path | None, before: tuple[Path, Path] | None
) -> Examination:
    from xraymeasure.examination import examine
    from xraymeasure.film.read import read_film
    from xraymeasure.plan.plan import read_plan
    from xraymeasure.reading.file import read_reading

    # The small files first: a slip in one of them is told before a large film is decoded.
    placed = read_reading(reading)
    if not any(placed.landmarks.values()):
        raise XrayMeasureError(
            f"{reading}: no landmark is placed in it, so nothing can be measured; place some"
        )
    planned = read_plan(plan) if plan else None
    earlier = None
    if before is not None:
        placed_before, film_before = read_reading(before[1]), read_film(before[0])
        earlier = _named(before[1], lambda: examine(film_before, placed_before))
    shown = read_film(film)
    return _named(reading, lambda: examine(shown, placed, planned, earlier))


def _named(path: Path, call: Callable[[], Examination]) -> Examination:
    """Call, and put the file's name before what is wrong with it."""
    try:
        return call()
    except XrayMeasureError as error:
        raise type(error)(f"{path}: {error}") from None


def _refuse_to_overwrite(out: Path, measured: Measurements, force: bool) -> None:
    """Refuse to replace the measurements of another film, reader or side."""
    from xraymeasure.files.atomic import settle
    from xraymeasure.report.measurements_file import read_measurements

    settle(out)
    old = out / "measurements.json"
    if force or not old.exists():
        return
    try:
        there = read_measurements(old)
    except XrayMeasureError as error:
        raise XrayMeasureError(f"{error}; use --force to overwrite it") from None
    if (there.film, there.reader, there.operated_side) != (
        measured.film,
        measured.reader,
        measured.operated_side,
    ):
        raise XrayMeasureError(
            f"{old}: holds the measurements of another film or reader; choose another folder or "
            "use --force"
        )


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pages go.")] = Path(
        "xraymeasure-demo"
    ),
) -> None:
    """Measure the sample films: print the comparison, write the pages."""
    from xraymeasure.report.text import comparison_text
    from xraymeasure.report.write import write_report
    from xraymeasure.samples import BEFORE_OPERATION, sample_folder, sample_names

    folder = sample_folder()
    answer("Synthetic films of invented patients, read by a simulated reader.\n")
    for name in sample_names():
        # A film before the operation shows what was there, not what became of the plan.
        planned = name not in BEFORE_OPERATION.values()
        before = None
        if name in BEFORE_OPERATION:
            earlier = folder / BEFORE_OPERATION[name]
            before = earlier.with_suffix(".dcm"), earlier.with_suffix(".reading.json")
        found = _examined(
            folder / f"{name}.dcm",
            folder / f"{name}.reading.json",
            folder / f"{name}.plan.toml" if planned else None,
            before,
        )
        side = found.reading.operated_side
        answer(f"{name} ({side} hip{'' if planned else ', before the operation'})")
        if found.comparison is not None:
            answer(comparison_text(found.comparison))
        for finding in found.findings:
            if finding.severity != "note":
                answer(f"  ! {finding.text}")
        answer()
        write_report(found, out / name, name)
    answer(CAUTION)
    answer(f"\nThe pages are in {out / 'NAME' / 'NAME.pdf'} and .html")


@app.command()
def propose(
    film: FilmPath,
    head_diameter: Annotated[
        float, typer.Option(metavar="MM", min=15.0, max=70.0, help="Of the prosthetic head.")
    ],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="R", help="Where the reading goes.")],
    side: Annotated[
        Literal["left", "right"] | None,
        typer.Option(metavar="left|right", help="Look at this hip only."),
    ] = None,
    beam_centre: Annotated[
        tuple[float, float] | None,
        typer.Option(metavar="ROW COL", help="Where the central ray meets the detector, pixels."),
    ] = None,
    source_detector: Annotated[
        float | None, typer.Option(metavar="MM", min=500.0, max=3000.0, help="Tube to detector.")
    ] = None,
    opens: Annotated[
        Literal["anterior", "posterior"] | None,
        typer.Option(metavar="anterior|posterior", help="How the cup opens."),
    ] = None,
    reader: Annotated[str, typer.Option(metavar="CODE", help="Who will confirm it.")] = "proposed",
    force: Annotated[bool, typer.Option("--force", help="Overwrite an earlier reading.")] = False,
) -> int:
    """Propose the landmarks of replaced hips, for a person to confirm."""
    from xraymeasure.detect.propose import propose as find_proposals
    from xraymeasure.detect.propose import proposed_reading
    from xraymeasure.detect.text import nothing_text, proposal_text
    from xraymeasure.film.read import read_film
    from xraymeasure.reading.file import save_reading

    if out.exists() and not force:
        raise XrayMeasureError(
            f"{out}: exists; choose another name, or use --force to overwrite it"
        )
    shown = read_film(film)
    found = find_proposals(
        shown,
        side=side,
        head_diameter_mm=head_diameter,
        beam_centre=beam_centre,
        source_detector_mm=source_detector,
        opens=opens,
    )
    if not found.hips:
        complain(f"{film}{f', {side} side' if side else ''}: {nothing_text(found)}")
        return NOTHING
    proposed = proposed_reading(
        shown,
        found,
        reader=reader,
        head_diameter_mm=head_diameter,
        beam_centre=beam_centre,
        source_detector_mm=source_detector,
        opens=opens,
    )
    save_reading(proposed, out)
    answer(proposal_text(found))
    answer(CAUTION)
    tell(f"written: {out}")
    return DONE


_SCREEN = frozenset({"napari", "PySide6", "platformdirs", "qtpy", "napari_xraymeasure"})
"""What the window needs beside what all of this program does."""


@app.command()
def view(
    film: Annotated[Path | None, typer.Argument(metavar="[FILM]", help="A film to open.")] = None,
    before: Annotated[
        Path | None,
        typer.Option(metavar="EARLIER_FILM", help="An earlier film, its reading beside it."),
    ] = None,
) -> None:
    """Open the window for placing landmarks (needs the extra napari)."""
    for path in (film, before):
        if path is not None and not path.exists():
            raise XrayMeasureError(f"{path}: no such file; check the name")
    screens = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform == "linux" and not any(os.environ.get(each) for each in screens):
        raise XrayMeasureError("the window needs a screen, and there is none (DISPLAY is not set)")
    try:
        # The one command that opens the window may know of it.
        from napari_xraymeasure.window import open_window

        open_window(film, before)
    except ImportError as error:
        missing = (error.name or "").partition(".")[0]
        # Of a binding to Qt that is not there qtpy says so without its name.
        if type(error).__name__ == "QtBindingsNotFoundError":
            missing = "PySide6"
        elif not isinstance(error, ModuleNotFoundError) or missing not in _SCREEN:
            raise
        raise XrayMeasureError(
            f"the window needs the optional part napari ({missing} is not installed); "
            'install it with: pip install "xraymeasure[napari]"'
        ) from None


@app.command()
def phantom(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the films go.")],
    seed: Annotated[int | None, typer.Option(metavar="N", help="Draws tissue and noise.")] = None,
    source_detector_mm: Annotated[
        float | None, typer.Option(min=800.0, max=2000.0, help="Distance from tube to detector.")
    ] = None,
    pitch_mm: Annotated[
        float | None, typer.Option(min=0.1, max=3.0, help="Pixel pitch; the field stays.")
    ] = None,
    small: Annotated[bool, typer.Option("--small", help="Coarse films, in a second each.")] = False,
) -> None:
    """Make synthetic films of known truth, their readings and plans."""
    from xraymeasure.phantom.write import SEED, write_samples

    names = write_samples(
        out,
        SEED if seed is None else seed,
        lambda name, number, count: tell(f"{number} of {count}: {name}"),
        source_detector_mm=source_detector_mm,
        pitch_mm=pitch_mm,
        small=small,
    )
    for name in names:
        answer(out / f"{name}.dcm")


@app.command()
def info() -> None:
    """Print versions and decoders, for a report of a fault."""
    from xraymeasure.about import about

    answer(about())


if __name__ == "__main__":
    main()
