"""How far a long run is, on one line."""

from __future__ import annotations

import time
from typing import TextIO

_WIDTH = 30
_QUIET_SECONDS = 15.0


class ProgressLine:
    """Shows done and total, rate and time left; on a terminal in place, else now and then.

    Parameters
    ----------
    stream : text stream
        Standard error, as a rule.
    noun : str
        What is counted.

    Examples
    --------
    >>> import sys
    >>> progress = ProgressLine(sys.stdout, "readings", clock=iter([0.0, 4.0]).__next__)
    >>> progress(0, 10)
    >>> progress(10, 10)
    10 of 10 readings, 2.5 a second, done in 4 s
    """

    def __init__(self, stream: TextIO, noun: str = "readings", clock=time.monotonic) -> None:
        self._stream, self._noun, self._clock = stream, noun, clock
        self._live = stream.isatty()
        self._started = self._shown = None

    def __call__(self, done: int, total: int) -> None:
        """Take note that `done` of `total` are done."""
        now = self._clock()
        if self._started is None:
            self._started = self._shown = now
            if not self._live:
                return
        finished = done >= total
        wait = 0.1 if self._live else _QUIET_SECONDS
        if not finished and now - self._shown < wait and done:
            return
        self._shown = now
        text = self._text(done, total, now - self._started)
        if self._live:
            filled = _WIDTH * done // total if total else _WIDTH
            bar = "#" * filled + "." * (_WIDTH - filled)
            self._stream.write(f"\r\033[K[{bar}] {text}" + ("\n" if finished else ""))
        else:
            self._stream.write(text + "\n")
        self._stream.flush()

    def _text(self, done: int, total: int, seconds: float) -> str:
        text = f"{done} of {total} {self._noun}"
        if not done or seconds <= 0:
            return text
        rate = done / seconds
        speed = f"{rate:.1f} a second" if rate >= 1 else f"{60 * rate:.1f} a minute"
        end = (
            f"done in {_duration(seconds)}"
            if done >= total
            else f"{_duration((total - done) / rate)} left"
        )
        return f"{text}, {speed}, {end}"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
