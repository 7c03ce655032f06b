"""Every place of every command where a file is named, given every file of the corpus; conftest checks the manner.

Memory is bounded by the address space, time by a guard that only a hang meets.
"""

import json
import os
import shutil
import sys
import tempfile
from pathlib import Path

import doors
import odd_files
import pytest

from drumtune.cli import COMMANDS
from drumtune.decode import describe

NOWHERE = {name: Path("nowhere") for name in ("taps", "clap", "kit", "log", "moves", "advised")}
STREAMED = ("hour.flac",)
"""Read block by block by `even`, which takes seconds; tests/test_streamed.py is for that."""


LATER = ("even, one of two", "ring --compare", "room --sweep", "room --far", "pair --bottom-take", "pair --open-take")
"""Doors behind which a good recording is read first, which takes time: these get only some of the corpus."""
SOME = (
    "empty.wav",
    "text named.wav",
    "nan.wav",
    "hundred.wav",
    "pipe.wav",
    "/dev/zero",
    "cut at 40.flac",
    "3 hours.wav",
)


def names(kind):
    return list(kind(NOWHERE, Path("out")))


@pytest.mark.parametrize("door", names(doors.for_recordings))
def test_a_recording_that_is_none(behaves, recordings, good, out, door):
    refused, _ = recordings
    words = doors.for_recordings(good, out)[door]
    assert len(refused) > 150
    for name, path in refused.items():
        if door in LATER and name not in SOME[:4]:
            continue
        if name in STREAMED and door.startswith("even"):
            continue
        status, told = behaves(*doors.with_file(words, path))
        assert status == 2, (name, told)


def test_a_recording_that_can_be_read_but_is_no_round_of_taps(behaves, recordings, good, out):
    words = doors.for_recordings(good, out)["even"]
    assert len(recordings[1]) > 30
    for path in recordings[1].values():
        behaves(*doors.with_file(words, path))


@pytest.mark.parametrize("door", ["ring", "room"])
def test_sounds_at_the_edge_of_what_files_can_hold(behaves, recordings, good, out, door):
    words = doors.for_recordings(good, out)[door]
    for name in ("square.wav", "loud.wav", "alternating.wav"):
        path = (recordings[0] | recordings[1])[name]
        behaves(*doors.with_file(words, path))


@pytest.mark.parametrize("door", names(doors.for_texts))
def test_a_text_that_is_none(behaves, texts, good, out, door):
    words = doors.for_texts(good, out)[door]
    for path in texts.values():
        behaves(*doors.with_file(words, path))


@pytest.mark.parametrize("door", names(doors.for_logs))
def test_a_log_that_is_none(behaves, texts, good, out, door):
    """Whatever lies there is left as it was, to the byte; where nothing is, a writing command may make a log."""
    words = doors.for_logs(good, out)[door]
    for path in texts.values():
        before = path.read_bytes() if os.path.isfile(path) and path.stat().st_size < 10**6 else None
        there = os.path.lexists(path)
        status, _ = behaves(*doors.with_file(words, path))
        if before is not None:
            assert status == 2
            assert path.read_bytes() == before
        elif not there and os.path.lexists(path):
            path.unlink()


@pytest.mark.parametrize("table", ["migrations", "drums", "takes", "settings"])
def test_a_table_of_an_export_that_is_none(behaves, texts, good, out, tmp_path, table):
    behaves("log", "export", tmp_path / "export", "--log", good["log"])
    for name in set(texts) - {"/dev/zero", "long name"}:
        (tmp_path / "export" / f"{table}.csv").unlink(missing_ok=True)
        (tmp_path / "export" / f"{table}.csv").symlink_to(texts[name])
        assert behaves("log", "import", tmp_path / "export", "--log", out / "new.sqlite3")[0] == 2


@pytest.mark.parametrize("door", names(doors.for_outputs))
def test_a_place_to_write_to_that_is_none(behaves, good, out, tmp_path, door):
    """A pipe stays a pipe, a folder a folder, and a link to nowhere is followed. (No device: as root it could go.)"""
    (tmp_path / "null.json").write_text("null")
    places = {name: path for name, path in odd_files.no_files(tmp_path).items() if not name.startswith("/dev")}
    words = doors.for_outputs(good, out)[door]
    fine = ("none.toml", "nowhere.toml", *(("folder.toml",) if door.endswith(("--out", "pair --render")) else ()))
    for name in set(places) - set(fine):
        path = places[name]
        assert behaves(*doors.with_file(words, path))[0] == 2, name
    assert (tmp_path / "pipe.json").is_fifo()
    assert list((tmp_path / "folder.toml").iterdir()) == []
    assert (tmp_path / "null.json").read_text() == "null"
    assert not any(path.name.startswith(".") for path in tmp_path.iterdir())


UNREADABLE = (
    "even",
    "ring",
    "room",
    "pair --top-take",
    "kit",
    "kit --room",
    "kit --now",
    "stand new --file",
    "log import",
)


@pytest.mark.parametrize("door", UNREADABLE)
def test_a_file_that_may_not_be_read(command, good, door):
    """As root, who may read anything, the command is run with the rights of nobody (its modules are loaded before)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        near = {stem: Path(shutil.copy(path, folder)) for stem, path in good.items()}
        words = (doors.for_recordings(near, folder) | doors.for_texts(near, folder))[door]
        command(*doors.with_file(words, folder / "gone"))
        secret = Path(shutil.copy(good["taps"], folder / "secret.wav"))
        secret.chmod(0o000)
        root = os.getuid() == 0
        if root:
            os.setresuid(65534, 65534, 0)
        try:
            status, out, told = command(*doors.with_file(words, secret))
        finally:
            if root:
                os.setresuid(0, 0, 0)
    assert (status, out, told.count("\n")) == (2, "", 1)
    assert "secret.wav" in told
    assert any(words in told for words in ("may not read", "Permission denied", "not readable"))


def test_names_that_are_no_letters_go_through_answer_pictures_report_and_log(command, good, tmp_path):
    """Bytes no encoding knows: JSON has them as escapes, and the log keeps the take."""
    name = Path(shutil.copy(good["taps"], tmp_path / os.fsdecode(b"t\xffaps \xe4.wav")))
    outputs = ("--plot", tmp_path / "a.png", "--report", tmp_path / "a.html", "--csv", tmp_path / "a.csv")
    status, printed, told = command("even", name, *doors.STAND, "--json", *outputs)
    assert (status, told) == (0, "")
    assert "t\udcffaps" in json.loads(printed)["take"]["files"][0]
    assert {path.name for path in tmp_path.iterdir()} >= {"a.png", "a.html", "a.csv"}
    sweep = tmp_path / os.fsdecode(b"sw\xffeep.wav")
    assert command("room", "--write-sweep", sweep)[::2] == (0, "")
    assert describe(sweep).reader == "soundfile"
    log = Path(shutil.copy(good["log"], tmp_path))
    words = ("--drum", "floor", "--taps-per-rod", 2, "--log", log)
    assert command("even", name, *words)[::2] == (0, "")
    status, printed, told = command("log", "show", 1, "--log", log, "--json")
    assert json.loads(printed)["log"]["files"][0]["name"] == "t?aps ?.wav"
    assert command("log", "export", tmp_path / "a.json", "--log", log)[::2] == (0, "")
    assert command("log", "import", tmp_path / "a.json", "--log", tmp_path / "b.sqlite3")[::2] == (0, "")


def test_every_command_has_its_doors_here():
    """`serve` and `listen` take a log; serve answers its pages, which tests/web is for."""
    kinds = (doors.for_recordings, doors.for_texts, doors.for_logs, doors.for_outputs)
    seen = {str(words[0]) for kind in kinds for words in kind(NOWHERE, Path("out")).values()}
    assert set(COMMANDS) - {"serve"} <= seen


def test_the_manner_is_seen_when_it_is_bad(behaves, monkeypatch):
    """The check can fail: a message of two lines, a library that prints, a file left behind, a status of its own."""

    def bad(told, status=2, printed=""):
        def run():
            sys.stdout.write(printed)
            sys.stderr.write(told)
            sys.exit(status)

        return run

    cases = (("two\nlines\n",), ("drumtune: a\nb\n",), ("drumtune: a\n", 1), ("a\n", 0), ("drumtune: a\n", 2, "more"))
    for case in cases:
        monkeypatch.setattr("drumtune.cli.main", bad(*case))
        with pytest.raises(AssertionError):
            behaves("even")
    monkeypatch.setattr("drumtune.cli.main", bad("drumtune: a\n"))
    assert behaves("even") == (2, "drumtune: a\n")
