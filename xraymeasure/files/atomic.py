"""Files that are either whole or not there: atomic writing, and reading with words."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from xraymeasure.errors import XrayMeasureError


def write_atomically(path: str | os.PathLike[str], data: bytes | str) -> None:
    """Write `data` to `path` so that a reader sees the old file or the new one, never a part.

    Parameters
    ----------
    path : path-like
        The file to write; its folder must exist.
    data : bytes or str
        The whole content; text is written as UTF-8.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be written to or the disk is full. Nothing is left behind.
    """
    target = Path(path)
    payload = data.encode("utf-8") if isinstance(data, str) else data
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(payload)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes private files; a shared study folder needs the ordinary permissions.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise XrayMeasureError(
            f"{target}: cannot be written ({reason}); choose a folder you may write to "
            "or free some space"
        ) from error


def write_files(folder: str | os.PathLike[str], files: Mapping[str, bytes | str]) -> list[Path]:
    """Write files, each atomically, into a folder that is made if it is not there.

    Returns
    -------
    list of Path
        In the order of `files`, whose keys are their names.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise XrayMeasureError(
            f"{folder}: cannot be made ({error.strerror}); choose a folder you may write to"
        ) from error
    for name, data in files.items():
        write_atomically(folder / name, data)
    return [folder / name for name in files]


def read_text(path: str | os.PathLike[str], error: type[XrayMeasureError]) -> str:
    """Return the UTF-8 text of `path`, or raise `error` saying why it cannot be read."""
    source = Path(path)
    try:
        if source.is_dir():
            raise error(f"{source}: is a directory; name a file")
        text = source.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise error(f"{source}: no such file") from None
    except UnicodeDecodeError:
        raise error(f"{source}: is not a text file in UTF-8") from None
    except OSError as reason:
        raise error(f"{source}: cannot be read ({reason.strerror})") from reason
    if not text.strip():
        raise error(f"{source}: is empty")
    return text
