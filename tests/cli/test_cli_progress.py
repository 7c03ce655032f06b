"""The bar shows on a terminal only, and only when work takes over a second."""

import io

import pytest

from drumtune.cli import progress


class Terminal(io.StringIO):
    """Text that says it is a terminal."""

    def isatty(self):
        return True


def terminal(monkeypatch):
    """Put a terminal in place of stderr. A fixture would do it too early: capturing starts anew for the test itself."""
    stream = Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    return stream


def seconds(*times):
    return iter(times).__next__


def test_quick_work_shows_nothing(monkeypatch):
    stream = terminal(monkeypatch)
    with progress.bar("Listening", clock=seconds(0.0, 0.4, 0.9)) as report:
        report(0.5)
        report(1.0)
    assert stream.getvalue() == ""


def test_long_work_shows_what_is_done(monkeypatch):
    stream = terminal(monkeypatch)
    with progress.bar("Listening", clock=seconds(0.0, 0.4, 1.2)) as report:
        report(0.2)
        report(0.6)
        report(1.0)
    assert "Listening" in stream.getvalue()


def test_a_failure_takes_the_bar_away(monkeypatch):
    stream = terminal(monkeypatch)

    def fail():
        with progress.bar("Listening", clock=seconds(0.0, 1.2)) as report:
            report(0.6)
            raise ValueError

    with pytest.raises(ValueError):  # noqa: PT011 - any
        fail()
    assert "\x1b[?25h" in stream.getvalue()  # the cursor is shown again (ECMA-48 private mode 25)


def test_no_terminal_no_bar(monkeypatch):
    monkeypatch.setattr("sys.stderr", io.StringIO())
    with progress.bar("Listening") as report:
        assert report is None
