"""What the plugin remembers between films: the reader's code, and a folder it may always write to.

Nothing here leaves the user's own account, and no name or film's identity is kept.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from platformdirs import user_data_path

from xraymeasure.errors import XrayMeasureError
from xraymeasure.files.atomic import write_atomically

_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,15}")
DEFAULT_READER = "A"


def user_folder() -> Path:
    """Return the folder for this user's readings that cannot lie beside their film.

    ``XRAYMEASURE_HOME`` where it is set, else the platform's place for a program's data.
    """
    if chosen := os.environ.get("XRAYMEASURE_HOME"):
        return Path(chosen)
    return user_data_path("xraymeasure", appauthor=False)


def is_reader_code(text: str) -> bool:
    """Whether `text` may stand for a reader in a file's name.

    >>> is_reader_code("A"), is_reader_code("reader-2"), is_reader_code("../A"), is_reader_code("")
    (True, True, False, False)
    """
    return _CODE.fullmatch(text) is not None


def remembered_reader() -> str:
    """Return the code of the reader who sat here last, or the default one."""
    try:
        code = (user_folder() / "reader.txt").read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return DEFAULT_READER
    return code if is_reader_code(code) else DEFAULT_READER


def remember_reader(code: str) -> None:
    """Keep the reader's code for the next film; a full disk is no reason to stop reading."""
    folder = user_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_atomically(folder / "reader.txt", code + "\n")
    except (OSError, XrayMeasureError):
        return
