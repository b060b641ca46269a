"""How large a film may be: looked at before anything is decoded, whatever the file's kind."""

from __future__ import annotations

import io
import time

from xraymeasure.errors import FilmError

MOST_BYTES = 500_000_000
"""Bytes of a file, compressed or not."""
MOST_SAMPLES = 120_000_000
"""Rows by columns by colours: twice a large film scanned at a twentieth of a millimetre."""
# What is smaller does no harm, whatever it was made of.
_HARMLESS = 16_000_000
# Films compress to a half or a tenth; a blank one to a thousandth.
_SAMPLES_A_BYTE = 1000

SECONDS = 15.0
"""Time that the attributes of a film may take to read; they take some milliseconds."""


def refuse_impossible_size(
    where: str, rows: float, columns: float, samples: float, encoded: int
) -> None:
    """Raise `FilmError` if a header claims more than a film has, or than the bytes can hold.

    Parameters
    ----------
    where : str
        The file, for the message.
    rows, columns, samples : float
        What the header says.
    encoded : int
        Bytes that are there to hold them.
    """
    if min(rows, columns, samples) < 1:
        raise FilmError(f"{where}: has no rows or no columns; export the film again")
    claimed = rows * columns * samples
    if claimed > MOST_SAMPLES:
        raise FilmError(
            f"{where}: says that it has {rows:.0f} x {columns:.0f} pixels of {samples:.0f} values, "
            f"more than the {MOST_SAMPLES // 1_000_000} million that a film can have; export the "
            "film again"
        )
    if claimed > _HARMLESS and claimed > encoded * _SAMPLES_A_BYTE:
        raise FilmError(
            f"{where}: says that it has {rows:.0f} x {columns:.0f} pixels, and holds {encoded} "
            "bytes of them; it is truncated or damaged, export the film again"
        )


class WatchedBytes(io.BytesIO):
    """A file's bytes that can be read for a limited time, so that no parser reads for ever."""

    def __init__(self, content: bytes, where: str, seconds: float = SECONDS) -> None:
        super().__init__(content)
        self._where = where
        self._until = time.monotonic() + seconds

    def read(self, size: int | None = -1, /) -> bytes:
        """Read as any stream; `FilmError` when the time is over."""
        if time.monotonic() > self._until:
            raise FilmError(
                f"{self._where}: takes too long to read, so it is damaged; export the film again"
            )
        return super().read(size)
