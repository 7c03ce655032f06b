"""A signal or a full disk in the middle of writing: no file half written, an old one whole, one line told.

The signal comes from inside the library that writes, after it has written a part.
"""

import os
import signal
from pathlib import Path

import doors
import matplotlib.figure
import pytest
import soundfile

WRITERS = {
    "even --plot": (matplotlib.figure.Figure, "savefig"), "even --csv": (Path, "write_text"),
    "even --report": (Path, "write_text"), "ring --plot": (matplotlib.figure.Figure, "savefig"),
    "room --save": (Path, "write_text"), "room --render": (soundfile, "write"),
    "room --write-sweep": (soundfile, "write"),
    "pair --render": (soundfile, "write"), "kit --render": (soundfile, "write"), "kit --example": (Path, "write_text"),
    "kit --plot": (matplotlib.figure.Figure, "savefig"), "synth": (soundfile, "write"),
    "log export": (Path, "write_text"),
}  # fmt: skip
"""Place of an output to what writes it."""
ENDINGS = {"savefig": "png", "write": "wav"}


def half_written(then):
    """A writer that writes a part and then does something else."""

    def write(*words, **_settings):
        target = next(Path(os.fsdecode(word)) for word in words if isinstance(word, str | bytes | Path))
        target.write_bytes(b"half")
        then()

    return write


def asked(door, good, out):
    """Words of a command, and the file it is to write."""
    name = WRITERS[door][1]
    ending = {"even --report": "html", "room --save": "json", "kit --example": "toml", "log export": "json"}
    path = out / f"o.{ending.get(door) or ENDINGS.get(name, 'csv')}"
    path = out / "sounds" if door == "pair --render" else path
    return doors.with_file(doors.for_outputs(good, out)[door], path), path


@pytest.mark.parametrize(
    ("door", "number"),
    [*((door, signal.SIGTERM) for door in WRITERS), ("synth", signal.SIGINT), ("synth", signal.SIGHUP)],
)
def test_a_signal_leaves_nothing_half_written(command, good, tmp_path, monkeypatch, door, number):
    words, _ = asked(door, good, tmp_path)
    monkeypatch.setattr(*WRITERS[door], half_written(lambda: os.kill(os.getpid(), number)))
    usual = {signal.SIGINT: signal.default_int_handler, signal.SIGHUP: signal.SIG_DFL}
    before = {each: signal.signal(each, handler) for each, handler in usual.items()}  # a shell may have them ignored
    try:
        status, _, err = command(*words)
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
    assert (status, err) == (2, "drumtune: stopped\n")
    assert [file for file in tmp_path.rglob("*") if file.is_file()] == []
    assert signal.getsignal(signal.SIGTERM) == signal.SIG_DFL


@pytest.mark.parametrize("door", sorted(WRITERS.keys() - {"kit --example", "pair --render", "even --plot"}))
def test_a_full_disk_leaves_the_old_file_whole(command, good, tmp_path, monkeypatch, door):
    words, path = asked(door, good, tmp_path)
    path.write_bytes(b"old")

    def full():
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(*WRITERS[door], half_written(full))
    status, _, err = command(*words)
    monkeypatch.undo()
    assert (status, err.count("\n"), "No space left" in err) == (2, 1, True)
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [b"old"]


def test_a_command_without_memory_says_so(command, good, monkeypatch):
    def none(*_words, **_settings):
        raise MemoryError

    monkeypatch.setattr("drumtune.cli.job.do", none)
    status, out, err = command("even", good["taps"], *doors.STAND)
    assert (status, out) == (2, "")
    assert err == "drumtune: this takes more memory than there is: give less at once\n"


def test_a_bug_is_not_hidden(command, good, monkeypatch):
    def bug(*_words, **_settings):
        raise ZeroDivisionError

    monkeypatch.setattr("drumtune.cli.job.do", bug)
    with pytest.raises(ZeroDivisionError):
        command("even", good["taps"], *doors.STAND)


def test_a_link_is_written_through_and_stays(command, good, tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "a.wav").symlink_to(tmp_path / "real" / "b.wav")
    words = doors.with_file(doors.for_outputs(good, tmp_path)["synth"], tmp_path / "a.wav")
    assert command(*words)[0] == 0
    assert (tmp_path / "a.wav").is_symlink()
    assert (tmp_path / "real" / "b.wav").stat().st_size > 1000


@pytest.mark.parametrize("words", [
    ("log", "show", "99999999999999999999999"), ("log", "delete", "99999999999999999999999", "--yes"),
    ("log", "list", "--drum", "\udcff"), ("log", "save", "a", "--drum", "\udcff"), ("stand", "show", "\udcff"),
])  # fmt: skip
def test_names_and_numbers_no_log_can_hold_are_refused(command, good, words):
    status, out, err = command(*words, "--log", good["log"])
    assert (status, out, err.count("\n")) == (2, "", 1)
