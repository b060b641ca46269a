"""The line that says how far a run is."""

import io

from xraymeasure.series.run.progress import ProgressLine


class Terminal(io.StringIO):
    def isatty(self):
        return True


def run(stream, moments):
    """Count to the end, one reading at each of these moments (s)."""
    clock = iter([0.0, *moments])
    with ProgressLine(stream, clock=lambda: next(clock)) as progress:
        for done in range(len(moments) + 1):
            progress(done, len(moments))
    return stream.getvalue()


def test_a_terminal_sees_a_bar_with_rate_and_time_left():
    shown = run(Terminal(), [30.0, 60.0, 90.0])
    frames = shown.split("\r\033[K")[1:]
    assert frames[0] == "[" + "." * 30 + "] 0 of 3 readings"
    assert (
        frames[1] == "[" + "#" * 10 + "." * 20 + "] 1 of 3 readings, 2.0 a minute, 1 min 00 s left"
    )
    assert frames[3] == "[" + "#" * 30 + "] 3 of 3 readings, 2.0 a minute, done in 1 min 30 s\n"


def test_a_log_is_not_flooded():
    lines = run(io.StringIO(), [0.05 * i for i in range(1, 1001)]).splitlines()
    # 50 seconds, and a line every 15, and the last.
    assert len(lines) == 4
    assert lines[0] == "300 of 1000 readings, 20.0 a second, 35 s left"
    assert lines[-1] == "1000 of 1000 readings, 20.0 a second, done in 50 s"


def test_a_run_that_breaks_off_leaves_the_terminal_on_a_fresh_line():
    stream = Terminal()
    try:
        with ProgressLine(stream, clock=lambda: 0.0) as progress:
            progress(0, 5)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass
    assert stream.getvalue().endswith("0 of 5 readings\n")
