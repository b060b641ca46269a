"""A film from a file; the content decides which kind it is, not the name."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from xraymeasure.errors import FilmError
from xraymeasure.film.film import Film
from xraymeasure.film.limits import MOST_BYTES

_PICTURES = {
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
}


def read_film(path: str | os.PathLike[str], *, seconds: float | None = None) -> Film:
    """Read a film from a DICOM, PNG, TIFF or JPEG file; the content decides which, not the name.

    Parameters
    ----------
    path : path-like
        The file.
    seconds : float, optional
        Processor time for reading the attributes, and again for decoding compressed pixels; 15 by
        default.

    Returns
    -------
    Film

    Raises
    ------
    FilmError
        If the file is missing, unreadable, truncated or damaged; if it is not a film; if it holds
        several images, or an image that is not a radiograph of the kind measured here; if it is
        larger than a film can be, or takes too long.

    Notes
    -----
    Compressed pixels are decoded in another process with limits of time and memory: a file that
    breaks a decoder is refused with words.

    See Also
    --------
    film_from_array : The same for pixels that do not come from a file.

    Examples
    --------
    >>> from xraymeasure.samples import sample_folder
    >>> film = read_film(sample_folder() / "well_placed.dcm")
    >>> film.view, film.spacing.detector_mm
    ('AP', (0.3, 0.3))
    """
    path = Path(path)
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise FilmError(f"{path}: is a directory; name one film in it")
        if not stat.S_ISREG(about.st_mode):
            raise FilmError(f"{path}: is not an ordinary file; name a film")
        if about.st_size > MOST_BYTES:
            raise FilmError(
                f"{path}: has {about.st_size / 1e6:.0f} MB, and a film at most "
                f"{MOST_BYTES // 1_000_000}; name a film"
            )
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES)
        return _read(content, path, seconds)
    except FileNotFoundError:
        raise FilmError(f"{path}: no such file; check the name") from None
    except PermissionError:
        raise FilmError(f"{path}: no permission to read it; ask its owner for access") from None
    except OSError as error:
        reason = error.strerror or "reading failed"
        raise FilmError(f"{path}: cannot be read ({reason}); copy the film again") from error


def _read(content: bytes, path: Path, seconds: float | None) -> Film:
    if not content:
        raise FilmError(f"{path}: is empty; copy the film again")
    # DICOM first: its preamble may carry the signature of a TIFF file.
    if content[128:132] == b"DICM" or _starts_like_a_data_set(content[:8]):
        from xraymeasure.film.dicom.read import read_dicom

        return read_dicom(content, path, seconds)
    for signature, name in _PICTURES.items():
        if content.startswith(signature):
            from xraymeasure.film.picture import read_picture

            return read_picture(content, path, name, seconds)
    raise FilmError(f"{path}: is neither DICOM nor PNG, TIFF or JPEG; export the film as DICOM")


def _starts_like_a_data_set(head: bytes) -> bool:
    """Whether the file is DICOM without its preamble: group 0002 or 0008 comes first."""
    little = int.from_bytes(head[0:2], "little"), int.from_bytes(head[2:4], "little")
    big = int.from_bytes(head[0:2], "big"), int.from_bytes(head[2:4], "big")
    return len(head) >= 8 and any(
        group in (0x0002, 0x0008) and element <= 0x0100 for group, element in (little, big)
    )
