"""How far a long run is, on one line."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

_WIDTH = 30
_QUIET_SECONDS = 15.0


class ProgressLine:
    """Shows done and total, rate and time left; on a terminal in place, else now and then.

    As a context it leaves a terminal on a fresh line, however the run ended.

    Parameters
    ----------
    stream : text stream, optional
        Standard error by default.
    noun : str
        What is counted.
    clock : callable
        Seconds from any fixed moment.

    Examples
    --------
    >>> import sys
    >>> moments = iter([0.0, 4.0])
    >>> with ProgressLine(sys.stdout, clock=lambda: next(moments)) as progress:
    ...     progress(0, 10)
    ...     progress(10, 10)
    10 of 10 readings, 2.5 a second, done in 4 s
    """

    def __init__(
        self,
        stream: TextIO | None = None,
        noun: str = "readings",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stream, self._noun, self._clock = stream or sys.stderr, noun, clock
        self._live = self._stream.isatty()
        self._started: float | None = None
        self._shown = 0.0
        self._open_line = False

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, *_: object) -> None:
        if self._open_line:
            self._stream.write("\n")
            self._stream.flush()

    def __call__(self, done: int, total: int) -> None:
        """Take note that `done` of `total` are done."""
        now = self._clock()
        if self._started is None:
            self._started = self._shown = now
            if not self._live:
                return
        wait = 0.1 if self._live else _QUIET_SECONDS
        if 0 < done < total and now - self._shown < wait:
            return
        self._shown = now
        text = self._text(done, total, now - self._started)
        if self._live:
            filled = _WIDTH * done // total if total else _WIDTH
            bar = "#" * filled + "." * (_WIDTH - filled)
            self._stream.write(f"\r\033[K[{bar}] {text}")
            self._open_line = True
        else:
            self._stream.write(text + "\n")
        self._stream.flush()

    def _text(self, done: int, total: int, seconds: float) -> str:
        text = f"{done} of {total} {self._noun}"
        if not done or seconds <= 0:
            return text
        rate = done / seconds
        speed = f"{rate:.1f} a second" if rate >= 1 else f"{60 * rate:.1f} a minute"
        if done >= total:
            return f"{text}, {speed}, done in {_duration(seconds)}"
        return f"{text}, {speed}, {_duration((total - done) / rate)} left"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
