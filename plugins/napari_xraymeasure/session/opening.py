"""What a path that was opened or dropped leads to: a film, the films of a folder, or a reading."""

from __future__ import annotations

from pathlib import Path

from napari_xraymeasure.canvas.film_layer import Opened
from napari_xraymeasure.session.autosave import SUFFIX, find_readings, reading_path
from napari_xraymeasure.session.placing_order import hips_of, is_done, steps
from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.errors import FilmError, ReadingError, XrayMeasureError
from xraymeasure.examination import Examination, examine
from xraymeasure.film.film import Film
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import DRAWS
from xraymeasure.reading.binding import binding_fault
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import Reading
from xraymeasure.samples import sample_folder
from xraymeasure.series.study.study import STUDY_FILE

FILM_SUFFIXES = (".dcm", ".dicom", ".png", ".tif", ".tiff", ".jpg", ".jpeg")


def is_reading(path: Path) -> bool:
    """Whether the name is that of a reading."""
    return path.name.endswith(SUFFIX)


def is_study(path: Path) -> bool:
    """Whether it is a study folder, or the file that makes it one."""
    return path.name == STUDY_FILE or (path / STUDY_FILE).is_file()


def is_plan(path: Path) -> bool:
    """Whether the name is that of a plan."""
    return path.suffix == ".toml"


def films_in(folder: Path) -> list[Path]:
    """Return the files of a folder that are films by their name, or DICOM by their content."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_file()
        and (path.suffix.lower() in FILM_SUFFIXES or (not path.suffix and _is_dicom(path)))
    )


def _is_dicom(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(132)[128:] == b"DICM"
    except OSError:
        return False


def open_film(path: Path, among: tuple[Path, ...] = ()) -> Opened:
    """Read a film that was chosen `among` others, or the first film of a folder.

    Raises
    ------
    FilmError
        If it is no film, or the folder holds none that can be read.
    """
    if not path.is_dir():
        return Opened(read_film(path), path, among)
    films = films_in(path)
    if not films:
        raise FilmError(f"{path}: holds no film; films are DICOM, PNG, TIFF or JPEG files")
    reasons = []
    for film in films:
        try:
            return Opened(read_film(film), film, tuple(films))
        except FilmError as error:
            reasons.append(str(error))
    raise FilmError(f"{path}: none of its {len(films)} files is a film ({reasons[0]})")


def film_of_reading(path: Path) -> tuple[Film, Path, Reading]:
    """Return the film that lies beside a reading and belongs to it, and the reading.

    Raises
    ------
    ReadingError
        If the reading is broken or no film beside it is its own.
    """
    reading = read_reading(path)
    candidates = [film for film in films_in(path.parent) if path.name.startswith(f"{film.stem}.")]
    for candidate in candidates:
        try:
            film = read_film(candidate)
        except FilmError:
            continue
        if binding_fault(film, reading) is None:
            return film, candidate, reading
    raise ReadingError(
        f"{path}: the film of this reading does not lie beside it; open the film first, then the "
        "reading"
    )


def sample_films() -> list[Path]:
    """Return the sample films, in the order of their names."""
    return sorted(sample_folder().glob("*.dcm"))


def open_sample(path: Path) -> Opened:
    """Return a sample film, its readings to be kept in the user's own folder."""
    truth = path.with_suffix(".truth.json")
    return Opened(
        read_film(path),
        path,
        tuple(sample_films()),
        keep_in=user_folder() / "practice",
        truth=truth if truth.exists() else None,
    )


def marked_films(
    films: tuple[Path, ...], reader: str, keep_in: Path | None
) -> list[tuple[Path, str]]:
    """Return the films of a folder, each with how far this reader is with it.

    ``●`` every landmark of the main numbers is dealt with, ``◐`` begun, ``○`` not begun.
    """
    return [(path, _mark(path, reader, keep_in)) for path in films]


def _mark(film: Path, reader: str, keep_in: Path | None) -> str:
    path = reading_path(film, reader)
    try:
        reading = read_reading(keep_in / path.name if keep_in else path)
    except (XrayMeasureError, OSError):
        return "○"
    left = [step for step in steps(reading, hips_of(reading)) if not is_done(reading, step.name)]
    return "◐" if left else "●"


def film_before(path: Path, reader: str) -> Examination:
    """Return the film before the operation with its reading, measured.

    The reading is this reader's where there is one beside the film, else the latest of any.

    Raises
    ------
    FilmError, ReadingError
        If the film cannot be read, or has no reading beside it.
    """
    film = read_film(path)
    found = find_readings(film, path, reader, (path.parent, user_folder() / "readings"))
    known = found.own or max(found.others, key=lambda item: item.modified, default=None)
    if known is None:
        raise ReadingError(
            f"{path}: has no reading beside it; open it, place its landmarks, and then choose it "
            "as the film before"
        )
    return examine(film, known.reading.complete_part(), draws=DRAWS)
