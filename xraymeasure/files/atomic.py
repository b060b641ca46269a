"""Files that are either whole or not there: atomic writing, and reading with words.

A file is written under another name and renamed. Files that belong together are written into a
folder of another name; renaming that folder decides that they are whole, after which they are
moved to their places. Whoever writes or reads in the folder next ends the moves of a program that
was stopped in them, and removes what a stopped program left unfinished.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from xraymeasure.errors import XrayMeasureError

try:
    import fcntl
except ImportError:
    # No such locks here: leftovers are told by their age.
    fcntl = None  # type: ignore[assignment]

MOST_TEXT_BYTES = 20_000_000
"""No reading, plan or study is as long; a longer file is none of them."""

_PART, _SET, _WHOLE = ".xm-part", ".xm-set", ".xm-whole"
_DAY_S = 86_400.0
_settled: set[Path] = set()


def write_atomically(path: str | os.PathLike[str], data: bytes | str) -> None:
    """Write `data` to `path` so that a reader sees the old file or the new one, never a part.

    Parameters
    ----------
    path : path-like
        The file to write; its folder must exist. A symbolic link stays, and what it leads to is
        written.
    data : bytes or str
        The whole content; text is written as UTF-8.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be written to or the disk is full. Nothing is left behind.
    """
    target = Path(os.path.realpath(path))
    payload = data.encode("utf-8") if isinstance(data, str) else data
    _settle_once(target.parent)
    temporary = lock = None
    try:
        handle, temporary = tempfile.mkstemp(_PART, f".{target.name}.", target.parent)
        lock = _locked(os.dup(handle))
        with os.fdopen(handle, "wb") as stream:
            stream.write(payload)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes private files; a shared study folder needs the ordinary permissions.
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise _cannot_be_written(Path(path), error) from error
    finally:
        if lock is not None:
            os.close(lock)
    _sync_folder(target.parent)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder, and those above it, if it is not there; return it.

    Raises
    ------
    XrayMeasureError
        If it cannot be made.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise XrayMeasureError(
            f"{folder}: cannot be made ({error.strerror}); choose a folder you may write to"
        ) from error
    return folder


@contextmanager
def replaced_together(folder: str | os.PathLike[str]) -> Iterator[Path]:
    """Give an empty folder to write files in; they take their places in `folder` as one set.

    If the block raises, or the program is stopped in it, the old files stay as they were. If it
    is stopped while the new ones are moved to their places, `settle` moves the rest.

    Parameters
    ----------
    folder : path-like
        Made if it is not there.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to, or the disk is full.
    """
    folder = make_folder(folder)
    settle(folder)
    stage = lock = None
    try:
        stage = Path(tempfile.mkdtemp(_SET, ".", folder))
        lock = _locked_folder(stage)
        yield stage
        for path in stage.iterdir():
            if (folder / path.name).is_dir():
                raise IsADirectoryError(21, "Is a directory", str(folder / path.name))
            with path.open("r+b") as stream:
                os.fsync(stream.fileno())
        _sync_folder(stage)
        whole = stage.with_suffix(_WHOLE)
        os.replace(stage, whole)
        stage = None
        _sync_folder(folder)
        _move_out(whole, folder)
    except OSError as error:
        name = Path(error.filename).name if isinstance(error.filename, str) else ""
        raise _cannot_be_written(folder / name, error) from error
    finally:
        if stage is not None:
            shutil.rmtree(stage, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def write_files(folder: str | os.PathLike[str], files: Mapping[str, bytes | str]) -> list[Path]:
    """Write files that belong together into a folder, which is made if it is not there.

    Returns
    -------
    list of Path
        In the order of `files`, whose keys are their names.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to. The old files are then as they were.

    See Also
    --------
    replaced_together : How.
    """
    folder = Path(folder)
    with replaced_together(folder) as stage:
        for name, data in files.items():
            payload = data.encode("utf-8") if isinstance(data, str) else data
            (stage / name).write_bytes(payload)
    return [folder / name for name in files]


def settle(folder: str | os.PathLike[str]) -> None:
    """End or undo what stopped programs left in a folder; what cannot be changed there stays."""
    try:
        names = os.listdir(folder)
    except OSError:
        return
    for name in names:
        path = Path(folder) / name
        if not name.startswith(".") or path.suffix not in (_PART, _SET, _WHOLE):
            continue
        with suppress(OSError), _abandoned(path) as abandoned:
            if not abandoned:
                continue
            if path.suffix == _WHOLE:
                _move_out(path, Path(folder))
            elif path.suffix == _SET:
                shutil.rmtree(path)
            else:
                path.unlink()


def _settle_once(folder: Path) -> None:
    """Settle a folder the first time that this program reads or writes in it."""
    if folder not in _settled:
        settle(folder)
        _settled.add(folder)


def _move_out(whole: Path, folder: Path) -> None:
    for path in sorted(whole.iterdir()):
        target = folder / path.name
        if target.is_symlink():
            write_atomically(target, path.read_bytes())
            path.unlink()
        else:
            os.replace(path, target)
    whole.rmdir()
    _sync_folder(folder)


def _locked(handle: int) -> int:
    """Return the handle, locked for as long as it is open, as far as the system can."""
    if fcntl is not None:
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    return handle


def _locked_folder(folder: Path) -> int | None:
    os.chmod(folder, 0o777 & ~_umask())
    return None if fcntl is None else _locked(os.open(folder, os.O_RDONLY))


@contextmanager
def _abandoned(path: Path) -> Iterator[bool]:
    """Tell whether the program that made `path` has ended; it is locked meanwhile."""
    if fcntl is None:
        yield time.time() - path.stat().st_mtime > _DAY_S
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        except OSError:
            # A file system without such locks.
            yield time.time() - path.stat().st_mtime > _DAY_S
        else:
            yield True
    finally:
        os.close(handle)


def _umask() -> int:
    umask = os.umask(0)
    os.umask(umask)
    return umask


def _sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _cannot_be_written(path: Path, error: OSError) -> XrayMeasureError:
    return XrayMeasureError(
        f"{path}: cannot be written ({error.strerror or error}); choose a folder you may write to "
        "or free some space"
    )


def read_text(path: str | os.PathLike[str], error: type[XrayMeasureError]) -> str:
    """Return the UTF-8 text of `path`, or raise `error` saying why it cannot be read."""
    source = Path(path)
    _settle_once(Path(os.path.realpath(source.parent)))
    try:
        if source.is_dir():
            raise error(f"{source}: is a directory; name a file")
        about = source.stat()
        if not stat.S_ISREG(about.st_mode):
            raise error(f"{source}: is not an ordinary file; name a file")
        if about.st_size > MOST_TEXT_BYTES:
            raise error(f"{source}: is far too large ({about.st_size / 1e6:.0f} MB); name a file")
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
