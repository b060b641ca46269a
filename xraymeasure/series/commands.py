"""The commands of a series: ``xraymeasure series ...``; parse, call, print."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from xraymeasure.errors import XrayMeasureError
from xraymeasure.series.run.progress import progress_bar
from xraymeasure.terminal import DONE, NOTHING, WRONG, OutFolder, answer, tell
from xraymeasure.vocabulary.wording import counted

if TYPE_CHECKING:
    from xraymeasure.series.run.summary import RunSummary
    from xraymeasure.series.study.study import Study

app = typer.Typer(
    help="Many films: the study folder, the batch, agreement, follow-up.",
    rich_markup_mode=None,
    no_args_is_help=True,
)

StudyPath = Annotated[Path, typer.Argument(metavar="STUDY", help="A study folder.")]
Workers = Annotated[
    int | None, typer.Option(min=0, help="Processes on this machine; 0 for this one alone.")
]
Reader = Annotated[str | None, typer.Option(metavar="R", help="Whose readings; a reader's code.")]
Occasion = Annotated[int, typer.Option(metavar="N", min=1, help="Which of the reader's occasions.")]
BothHips = Annotated[
    bool, typer.Option("--both-hips", help="Each film in two rows, one for each hip.")
]
Scheduler = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="A Dask scheduler, tcp://host:port.")
]


@app.command("new")
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of films.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="STUDY", help="The study's folder; FOLDER-study by default."),
    ] = None,
    both_hips: BothHips = False,
    workers: Workers = None,
) -> None:
    """Make a study from a folder of films, sorted and under labels.

    Dates become intervals. What is no AP film of a pelvis or hip is left out and listed. Names and
    dates go into one key file beside the study.
    """
    from xraymeasure.series.study.new_study import new_study
    from xraymeasure.series.study.study import STUDY_FILE

    with progress_bar("files") as progress:
        made = new_study(folder, out, both_hips=both_hips, workers=workers, progress=progress)
    tell(str(made))
    answer(made.study / STUDY_FILE)


@app.command("add")
def add(
    study: StudyPath,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of later films.")],
    key: Annotated[
        Path | None,
        typer.Option("--key", metavar="FILE", help="The study's key, if not beside the study."),
    ] = None,
    both_hips: BothHips = False,
    workers: Workers = None,
) -> None:
    """Add films that came later; nothing that is there changes."""
    from xraymeasure.series.study.new_study import add_films

    with progress_bar("files") as progress:
        made = add_films(
            _opened(study), folder, key=key, both_hips=both_hips, workers=workers, progress=progress
        )
    tell(str(made))


@app.command("run")
def run(
    study: StudyPath,
    reader: Reader = None,
    occasion: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="Only that of the readers' occasions.")
    ] = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
    film_seconds: Annotated[
        float | None,
        typer.Option(metavar="S", min=0.1, help="How long one reading may take; 120 by default."),
    ] = None,
) -> int:
    """Measure every film with a reading; a rerun, what changed."""
    only = reader, occasion
    _, summary = _run(
        study, workers, scheduler, reader, occasion or 1, only=only, film_seconds=film_seconds
    )
    answer(summary)
    for failure in summary.failed:
        whose = f" (reader {failure.reader}, occasion {failure.occasion})"
        # A file whose name fits nothing is nobody's.
        tell(failure.reason + whose * bool(failure.reader))
    return WRONG if summary.failed else DONE


@app.command("propose")
def propose(
    study: StudyPath,
    reader: Reader = None,
    occasion: Occasion = 1,
    workers: Workers = None,
    scheduler: Scheduler = None,
    out: OutFolder = None,
) -> int:
    """Look for replaced hips; a sheet shows what is proposed.

    The doubtful films come first. With --reader only films that they have not read on that occasion
    are looked at.
    """
    from xraymeasure.series.propose.proposing import propose_study
    from xraymeasure.series.propose.sheet import write_sheet

    opened = _opened(study)
    with progress_bar("films") as progress:
        found = propose_study(
            opened,
            reader=reader,
            occasion=occasion,
            workers=workers,
            scheduler=scheduler,
            progress=progress,
        )
    answer(found)
    for path in write_sheet(found, out or opened.folder / "proposals", opened.title):
        answer(path)
    for film, why in found.failed.items():
        tell(f"{film}: {why}")
    if found.failed:
        return WRONG
    return DONE if found.shown else NOTHING


def _opened(study: Path) -> Study:
    from xraymeasure.series.study.study import read_study

    return read_study(study)


def _run(
    study: Path,
    workers: int | None,
    scheduler: str | None,
    reader: str | None = None,
    occasion: int = 1,
    *,
    only: tuple[str | None, int | None] = (None, None),
    film_seconds: float | None = None,
    out: Path | None = None,
) -> tuple[Study, RunSummary]:
    """Open a study and measure what is new in it, with progress; every series command needs it.

    `only` names the reader and occasion beside whose readings nothing is measured and tabulated.
    A study that cannot be written to is only read, and what is measured goes to `out`.
    """
    from xraymeasure.series.run.run import FILM_SECONDS, RESULTS, run_study

    opened = _opened(study)
    opened.check_reader(reader or opened.readers[0], occasion)
    results = opened.folder / RESULTS
    locked = not os.access(results if results.exists() else opened.folder, os.W_OK)
    if locked and out is None:
        raise XrayMeasureError(
            f"{study}: cannot be written to, and tables and what was measured go there; "
            "where a command has --out, say with it where else they may go"
        )
    with progress_bar() as progress:
        return opened, run_study(
            opened,
            workers=workers,
            scheduler=scheduler,
            progress=progress,
            reader=only[0],
            occasion=only[1],
            film_seconds=film_seconds or FILM_SECONDS,
            results=out / RESULTS if out and locked else None,
        )


@app.command("exclude")
def exclude(
    study: StudyPath,
    film: Annotated[str, typer.Argument(metavar="FILM", help="The film's label.")],
    reader: Annotated[str, typer.Option(metavar="R", help="For whom; a reader's code.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why; it stands on every page.")],
    undo: Annotated[
        bool, typer.Option("--undo", help="Take it in again, for that reason.")
    ] = False,
) -> None:
    """Take a film out for one reader, on all occasions.

    The latest word counts.
    """
    from xraymeasure.series.study.worklist import remark, worklist

    opened = _opened(study)
    kind: Literal["include", "exclude"] = "include" if undo else "exclude"
    answer(remark(worklist(opened, reader, 1), opened.film(film), kind, reason))


@app.command("spread")
def spread(
    study: StudyPath, reader: Reader = None, workers: Workers = None, scheduler: Scheduler = None
) -> None:
    """Take a reader's own spread of placing from repeats.

    The intervals of that reader's readings rest on it from the next run on; the table says so in
    the column `placing`. Remove STUDY/placing/READER.toml to go back to the default.
    """
    from xraymeasure.series.agreement.reliability import placing_of
    from xraymeasure.series.study.placing import spread_text, write_placing

    opened, summary = _run(study, workers, scheduler, reader)
    for code in (reader,) if reader else opened.readers:
        placing = placing_of(code, summary)
        if not placing.landmarks:
            tell(f"reader {code}: no film was read twice, so no spread is known")
            continue
        answer(spread_text(placing))
        read = [task.reading for place, task in summary.tasks.items() if place[1] == code]
        stated = sum(reading.placing_sd_px is not None for reading in read)
        but = f", but not for {stated} of {len(read)} readings, which state their own"
        path = write_placing(opened, placing)
        tell(f"written: {path}; the next run takes it up{but if stated else ''}")


@app.command("size")
def size(
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
    """Say how many films a study of agreement needs.

    By its ICC or its limits of agreement.
    """
    from xraymeasure.series.agreement.size import films_for_icc, films_for_limits

    if icc is None and (sd is None or half_width is None):
        raise XrayMeasureError("give --icc, or --sd and --half-width, or all of them")
    if icc is not None:
        films = films_for_icc(icc, width, readings)
        answer(
            f"{films} films, each read {readings} times, give an ICC of {icc:g} a 95 % interval "
            f"{width:g} wide (Bonett DG, Stat Med 2002;21:1331-1335)."
        )
    if sd is not None and half_width is not None:
        films = films_for_limits(sd, half_width)
        answer(
            f"{films} films give each limit of agreement a 95 % interval of plus or minus "
            f"{half_width:g} where differences have a standard deviation of {sd:g} (Bland JM, "
            "Altman DG, Lancet 1986;1:307-310)."
        )


@app.command("agreement")
def agreement(
    study: StudyPath,
    reader: Reader = None,
    occasion: Occasion = 1,
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
    """Say how far readers agree with themselves and with each other.

    Readers are compared by one occasion; with --reader that reader's occasions are.
    """
    from xraymeasure.series.agreement.page import write_agreement
    from xraymeasure.series.agreement.reliability import agreement_of

    opened, summary = _run(study, workers, scheduler, reader, occasion, out=out)
    found = agreement_of(opened, summary, reader, occasion, components=components)
    for path in write_agreement(found, out or opened.folder / "agreement"):
        answer(path)
    for same in found.same:
        tell(str(same))


@app.command("followup")
def followup(
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
    """Follow each hip over its films, and the cohort against plans.

    One page, followup.pdf, is of all hips, and their changes are one table, changes.csv and
    changes.parquet.
    """
    from xraymeasure.files.atomic import replaced_together
    from xraymeasure.series.cohort.cohort import cohort_of_study
    from xraymeasure.series.cohort.page import write_cohort
    from xraymeasure.series.followup.followup import followup_of_study
    from xraymeasure.series.followup.page import write_followups
    from xraymeasure.series.followup.study_page import write_followup_study

    opened, summary = _run(study, workers, scheduler, reader, occasion, out=out)
    folder = out or opened.folder / "followup"
    followed = followup_of_study(opened, summary, reader, occasion)
    shown = [hip for hip in followed if pages == "all" or (pages == "flagged" and hip.flagged)]
    # One set: no page of a hip stands beside the table of another run.
    with replaced_together(folder) as stage:
        paths = write_followup_study(followed, stage)
        with progress_bar("pages") as progress:
            paths += write_followups(
                shown, stage, workers=workers, scheduler=scheduler, progress=progress
            )
        if any(film.plan for film in opened.films):
            cohort = cohort_of_study(
                opened, summary, reader, occasion, workers=workers, scheduler=scheduler
            )
            paths += write_cohort(cohort, stage)
    for path in paths:
        answer(folder / path.name)
    flagged = sum(hip.flagged for hip in followed)
    tell(f"{counted(len(followed), 'hip')} followed, a change is shown on {flagged}")
    for label, why in followed.left_out:
        tell(f"{label}: {why}")


@app.command("learning")
def learning(
    study: StudyPath,
    by: Annotated[str, typer.Option(metavar="COLUMN", help="Who operated.")] = "surgeon",
    order: Annotated[
        str, typer.Option(metavar="COLUMN", help="Number of the operation in the surgeon's order.")
    ] = "case_number",
    acceptable: Annotated[float, typer.Option(help="Rate of cups outside that is aimed at.")] = 0.1,
    unacceptable: Annotated[float, typer.Option(help="Rate that is not acceptable.")] = 0.2,
    reader: Reader = None,
    occasion: Occasion = 1,
    workers: Workers = None,
    scheduler: Scheduler = None,
    out: OutFolder = None,
) -> None:
    """Draw the learning curve of each surgeon's cups.

    A cumulative sum against a stated target. COLUMN is one of films.csv beyond its own.
    """
    from xraymeasure.series.cohort.cohort import cohort_of_study
    from xraymeasure.series.cohort.learning import Target, learning_curves
    from xraymeasure.series.cohort.learning_page import write_learning

    target = Target(acceptable, unacceptable)
    opened, summary = _run(study, workers, scheduler, reader, occasion, out=out)
    cohort = cohort_of_study(
        opened, summary, reader, occasion, workers=workers, scheduler=scheduler
    )
    curves = learning_curves(cohort, by, order, target)
    for path in write_learning(cohort, curves, target, out or opened.folder / "learning"):
        answer(path)
