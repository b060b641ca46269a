"""A film from a file; the content decides which kind it is, not the name."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from xraymeasure.errors import FilmError
from xraymeasure.film.film import Film

_PICTURES = {
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
}


def read_film(path: str | os.PathLike[str]) -> Film:
    """Read a film from a DICOM, PNG, TIFF or JPEG file; the content decides which, not the name.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    Film

    Raises
    ------
    FilmError
        If the file is missing, unreadable, truncated or damaged; if it is not a film; if it holds
        several images, or an image that is not a radiograph of the kind measured here.
    """
    path = Path(path)
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise FilmError(f"{path}: is a directory; name one film in it")
        if not stat.S_ISREG(kind):
            raise FilmError(f"{path}: is not an ordinary file; name a film")
        with path.open("rb") as stream:
            head = stream.read(132)
            stream.seek(0)
            return _read(stream, head, path)
    except FileNotFoundError:
        raise FilmError(f"{path}: no such file; check the name") from None
    except PermissionError:
        raise FilmError(f"{path}: no permission to read it; ask its owner for access") from None
    except OSError as error:
        reason = error.strerror or "reading failed"
        raise FilmError(f"{path}: cannot be read ({reason}); copy the film again") from error


def _read(stream: BinaryIO, head: bytes, path: Path) -> Film:
    if not head:
        raise FilmError(f"{path}: is empty; copy the film again")
    # DICOM first: its preamble may carry the signature of a TIFF file.
    if head[128:132] == b"DICM" or _starts_like_a_data_set(head):
        from xraymeasure.film.dicom.read import read_dicom

        return read_dicom(stream, path)
    for signature, name in _PICTURES.items():
        if head.startswith(signature):
            from xraymeasure.film.picture import read_picture

            return read_picture(stream, path, name)
    raise FilmError(f"{path}: is neither DICOM nor PNG, TIFF or JPEG; export the film as DICOM")


def _starts_like_a_data_set(head: bytes) -> bool:
    """Whether the file is DICOM without its preamble: group 0002 or 0008 comes first."""
    little = int.from_bytes(head[0:2], "little"), int.from_bytes(head[2:4], "little")
    big = int.from_bytes(head[0:2], "big"), int.from_bytes(head[2:4], "big")
    return len(head) >= 8 and any(
        group in (0x0002, 0x0008) and element <= 0x0100 for group, element in (little, big)
    )
