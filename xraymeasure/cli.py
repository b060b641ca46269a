"""The command line: parse, call, print. Results go to standard output, everything else to error."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from typer.exceptions import TyperException

from xraymeasure.about import CAUTION
from xraymeasure.errors import XrayMeasureError, printable

if TYPE_CHECKING:
    from collections.abc import Callable

    from xraymeasure.examination import Examination
    from xraymeasure.measuring.results import Measurements
    from xraymeasure.series.run.run import RunSummary
    from xraymeasure.series.study.study import Study

DONE, WRONG, OUTSIDE, NOTHING = 0, 2, 3, 4
"""Exit codes: done; the call or a file is wrong; measured, but not within tolerance (--strict);
nothing was found to propose."""

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
series = typer.Typer(
    help="Many films: a study folder, its batch runner, agreement and follow-up.",
    rich_markup_mode=None,
    no_args_is_help=True,
)
app.add_typer(series, name="series")

FilmPath = Annotated[Path, typer.Argument(metavar="FILM", help="DICOM, PNG, TIFF or JPEG.")]
StudyPath = Annotated[Path, typer.Argument(metavar="STUDY", help="A study folder.")]
OutFolder = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Where files go.")]
Workers = Annotated[int | None, typer.Option(min=1, help="Processes on this machine.")]
Reader = Annotated[str | None, typer.Option(metavar="R", help="Whose readings; a reader's code.")]
Occasion = Annotated[int, typer.Option(metavar="N", min=1, help="Which of the reader's occasions.")]
Scheduler = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="A Dask scheduler, tcp://host:port.")
]


def main() -> None:
    """Run the command line; every error that a user can cause is one line and exit code 2."""
    try:
        code = app(standalone_mode=False)
    except TyperException as error:
        _complain(error.format_message() if hasattr(error, "format_message") else str(error))
        code = WRONG
    except XrayMeasureError as error:
        _complain(str(error))
        code = WRONG
    except (KeyboardInterrupt, typer.Abort):
        _complain("stopped")
        code = 130
    except BrokenPipeError:
        # The reader of our output has seen enough; that is no fault.
        sys.stderr.close()
        code = DONE
    sys.exit(code or DONE)


def _complain(message: str) -> None:
    print(f"xraymeasure: {printable(' '.join(message.split()))}", file=sys.stderr)


def _tell(message: str) -> None:
    print(printable(message), file=sys.stderr)


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
    found = _examined(film, reading, plan, before)
    if out is not None:
        _refuse_to_overwrite(out, found.measurements, force)
        # The film's own name is often that of the patient.
        for path in found.write(out):
            _tell(f"written: {path}")
    if json:
        from xraymeasure.report.measurements_file import format_measurements

        print(format_measurements(found), end="")
    else:
        from xraymeasure.report.text import examination_text

        print(printable(examination_text(found)))
        print(CAUTION)
    sound = all(row.verdict in ("within", None) for row in found.compared) and not any(
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
    """Measure the sample films, print the comparison, write the pages and say where."""
    from xraymeasure.report.text import comparison_text
    from xraymeasure.report.write import write_report
    from xraymeasure.samples import BEFORE_OPERATION, sample_folder, sample_names

    folder = sample_folder()
    print("Synthetic films of invented patients, read by a simulated reader.\n")
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
        print(f"{name} ({side} hip{'' if planned else ', before the operation'})")
        if found.comparison is not None:
            print(comparison_text(found.comparison))
        for finding in found.findings:
            if finding.severity != "note":
                print(f"  ! {finding.text}")
        print()
        write_report(found, out / name, name)
    print(CAUTION)
    print(f"\nThe pages are in {out / 'NAME' / 'NAME.pdf'} and .html")


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
    """Find the replaced hips of a film and write their landmarks, to be confirmed by a person."""
    from xraymeasure.detect.propose import propose as find_proposals
    from xraymeasure.detect.propose import proposed_reading
    from xraymeasure.detect.text import proposal_text
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
        _complain(
            f"{film}: no replaced hip was found to propose"
            f"{f' on the {side} side' if side else ''}; place the landmarks by hand"
        )
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
    print(proposal_text(found))
    print(CAUTION)
    _tell(f"written: {out}")
    return DONE


@app.command()
def view(
    film: Annotated[Path | None, typer.Argument(metavar="[FILM]", help="A film to open.")] = None,
) -> None:
    """Open the window for placing landmarks (needs the extra napari)."""
    try:
        # The one command that opens the window may know of it.
        from napari_xraymeasure.window import open_window
    except ImportError as error:
        raise XrayMeasureError(
            f"the window needs the optional part napari ({error.name} is not installed); "
            'install it with: pip install "xraymeasure[napari]"'
        ) from None
    open_window(film)


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
    """Make synthetic films with exactly known truth, their readings and plans."""
    from xraymeasure.phantom.write import SEED, write_samples

    names = write_samples(
        out,
        SEED if seed is None else seed,
        lambda name, number, count: _tell(f"{number} of {count}: {name}"),
        source_detector_mm=source_detector_mm,
        pitch_mm=pitch_mm,
        small=small,
    )
    for name in names:
        print(out / f"{name}.dcm")


@app.command()
def info() -> None:
    """Print versions and decoders, for a report of a fault."""
    from xraymeasure.about import about

    print(about())


@series.command("new")
def series_new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of films.")],
) -> None:
    """Make a study from a folder of films: pseudonymous subjects, dates as intervals."""
    from xraymeasure.series.study.new_study import new_study

    print(new_study(folder))


@series.command("run")
def series_run(study: StudyPath, workers: Workers = None, scheduler: Scheduler = None) -> int:
    """Measure every film that has a reading; a rerun does only what changed."""
    _, summary = _run(study, workers, scheduler)
    print(summary)
    for failure in summary.failed:
        _tell(f"{failure.reason} (reader {failure.reader}, occasion {failure.occasion})")
    return WRONG if summary.failed else DONE


@series.command("propose")
def series_propose(
    study: StudyPath,
    workers: Workers = None,
    scheduler: Scheduler = None,
    out: OutFolder = None,
) -> int:
    """Look for replaced hips on every film; a sheet shows what is proposed, doubtful first."""
    from xraymeasure.series.propose.proposing import propose_study
    from xraymeasure.series.propose.sheet import write_sheet
    from xraymeasure.series.run.progress import ProgressLine
    from xraymeasure.series.study.study import read_study

    opened = read_study(study)
    with ProgressLine(noun="films") as progress:
        found = propose_study(opened, workers=workers, scheduler=scheduler, progress=progress)
    print(found)
    for path in write_sheet(found, out or opened.folder / "proposals", opened.title):
        print(path)
    for film, why in found.failed.items():
        _tell(f"{film}: {why}")
    if found.failed:
        return WRONG
    return DONE if found.shown else NOTHING


def _run(
    study: Path,
    workers: int | None,
    scheduler: str | None,
    reader: str | None = None,
    occasion: int = 1,
) -> tuple[Study, RunSummary]:
    """Open a study and measure what is new in it, with progress; every series command needs it."""
    from xraymeasure.series.run.progress import ProgressLine
    from xraymeasure.series.run.run import run_study
    from xraymeasure.series.study.study import read_study

    opened = read_study(study)
    opened.check_reader(reader or opened.readers[0], occasion)
    with ProgressLine() as progress:
        return opened, run_study(opened, workers=workers, scheduler=scheduler, progress=progress)


@series.command("spread")
def series_spread(
    study: StudyPath,
    reader: Reader = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
) -> None:
    """Take a reader's own spread of placing, from repeats, in place of the default.

    The intervals of that reader's readings rest on it from the next run on; the table says so in
    the column `placing`. Remove STUDY/placing/READER.toml to go back to the default.
    """
    from xraymeasure.series.agreement.reliability import placing_of
    from xraymeasure.series.study.placing import spread_text, write_placing

    opened, summary = _run(study, workers, scheduler, reader)
    for code in (reader,) if reader else opened.readers:
        placing = placing_of(code, summary)
        if not placing.spreads:
            _tell(f"reader {code}: no film was read twice, so no spread is known")
            continue
        print(spread_text(placing))
        _tell(f"written: {write_placing(opened, placing)}; the next run takes it up")


@series.command("size")
def series_size(
    icc: Annotated[float | None, typer.Option(help="Expected ICC, 0 to 1.")] = None,
    width: Annotated[float, typer.Option(help="Wanted width of its 95 % interval.")] = 0.1,
    readings: Annotated[int, typer.Option(help="Readings of each film.")] = 2,
    sd: Annotated[
        float | None, typer.Option(help="Expected standard deviation of differences.")
    ] = None,
    half_width: Annotated[
        float | None,
        typer.Option(help="Wanted half-width of the 95 % interval of a limit of agreement."),
    ] = None,
) -> None:
    """Say how many films a study of agreement needs, by its ICC or its limits of agreement."""
    from xraymeasure.series.agreement.size import films_for_icc, films_for_limits

    if icc is None and (sd is None or half_width is None):
        raise XrayMeasureError("give --icc, or --sd and --half-width, or all of them")
    if icc is not None:
        films = films_for_icc(icc, width, readings)
        print(
            f"{films} films, each read {readings} times, give an ICC of {icc:g} a 95 % interval "
            f"{width:g} wide (Bonett DG, Stat Med 2002;21:1331-1335)."
        )
    if sd is not None and half_width is not None:
        films = films_for_limits(sd, half_width)
        print(
            f"{films} films give each limit of agreement a 95 % interval of plus or minus "
            f"{half_width:g} where differences have a standard deviation of {sd:g} (Bland JM, "
            "Altman DG, Lancet 1986;1:307-310)."
        )


@series.command("agreement")
def series_agreement(
    study: StudyPath,
    workers: Workers = None,
    scheduler: Scheduler = None,
    components: Annotated[
        bool,
        typer.Option(
            "--components",
            help="Also fit a mixed model: how much patients, hips, readers and occasions add.",
        ),
    ] = False,
    out: OutFolder = None,
) -> None:
    """Say how far readers agree with themselves and with each other."""
    from xraymeasure.series.agreement.page import write_agreement
    from xraymeasure.series.agreement.reliability import agreement_of

    opened, summary = _run(study, workers, scheduler)
    for path in write_agreement(
        agreement_of(opened, run=summary, components=components), out or opened.folder / "agreement"
    ):
        print(path)


@series.command("followup")
def series_followup(
    study: StudyPath,
    reader: Reader = None,
    occasion: Occasion = 1,
    workers: Workers = None,
    scheduler: Scheduler = None,
    pages: Annotated[
        Literal["flagged", "all", "none"],
        typer.Option(metavar="WHICH", help="Pages of single hips: flagged, all or none."),
    ] = "all",
    out: OutFolder = None,
) -> None:
    """Follow each hip over its films, and the cohort against its plans.

    The changes of all hips are one table, changes.csv and changes.parquet.
    """
    from xraymeasure.series.cohort.cohort import cohort_of_study
    from xraymeasure.series.cohort.page import write_cohort
    from xraymeasure.series.followup.followup import followup_of_study
    from xraymeasure.series.followup.page import write_changes, write_followup

    opened, summary = _run(study, workers, scheduler, reader, occasion)
    folder = out or opened.folder / "followup"
    followed = followup_of_study(opened, reader=reader, occasion=occasion, run=summary)
    for path in write_changes(followed.hips, folder):
        print(path)
    for hip in followed:
        if pages == "all" or (pages == "flagged" and hip.flagged):
            for path in write_followup(hip, folder):
                print(path)
    flagged = sum(hip.flagged for hip in followed)
    _tell(f"{len(followed)} hips followed, a change is shown on {flagged} of them")
    for label, why in followed.left_out:
        _tell(f"{label}: {why}")
    if any(film.plan for film in opened.films):
        cohort = cohort_of_study(
            opened,
            reader=reader,
            occasion=occasion,
            run=summary,
            workers=workers,
            scheduler=scheduler,
        )
        for path in write_cohort(cohort, folder):
            print(path)


if __name__ == "__main__":
    main()
