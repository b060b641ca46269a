"""The bar that says how far a run is."""

import io
import sys

import pytest

from xraymeasure.series.run.progress import progress_bar


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_terminal_sees_how_many_of_how_many_and_keeps_its_cursor(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", Terminal())
    with pytest.raises(KeyboardInterrupt), progress_bar("films") as progress:
        progress(2, 3)
        raise KeyboardInterrupt
    shown = sys.stderr.getvalue()
    assert "2/3" in shown and "films" in shown
    # DECTCEM of the VT220: hidden while the bar moves, and shown again.
    assert shown.rfind("\033[?25h") > shown.rfind("\033[?25l") >= 0 and "\n" in shown


def test_a_file_gets_nothing_whatever_the_environment_says(monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with progress_bar() as progress:
        progress(3, 3)
    assert sys.stderr.getvalue() == ""
