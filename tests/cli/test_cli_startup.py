"""Start-up stays cheap because nothing heavy is loaded for it; tests/bench/startup.py measures what that gives."""

import os
import subprocess
import sys

import pytest

from drumtune.cli import COMMANDS, THREADS

HEAVY = ("numpy", "scipy", "matplotlib", "librosa", "numba", "soundfile", "av", "starlette", "drumtune.drum")


def test_asking_for_help_loads_no_numbers_no_audio_no_pictures():
    script = (
        "import sys, drumtune.cli\n"
        "sys.argv = ['drumtune', '--help']\n"
        "try:\n    drumtune.cli.main()\n"
        "except SystemExit as stop:\n    assert stop.code == 0, stop.code\n"
        f"print('LOADED', *(name for name in {HEAVY!r} if name in sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1].split() == ["LOADED"]


def test_help_names_every_command(command):
    status, out, _ = command("--help")
    assert status == 0
    for name in COMMANDS:
        assert name in out


def test_an_unknown_command_is_refused_in_one_line(command):
    status, out, err = command("conjure")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "conjure" in err


@pytest.mark.parametrize("group", [(), ("stand",), ("log",)])
def test_without_a_command_there_is_help_and_nothing_to_complain_of(command, group):
    status, out, err = command(*group)
    assert (status, err) == (2, "")
    assert "Usage:" in out


@pytest.mark.parametrize(
    ("said", "kept"), [({}, "1"), ({"OMP_NUM_THREADS": "3"}, "3"), ({"OPENBLAS_NUM_THREADS": "2"}, None)]
)
def test_linear_algebra_gets_one_thread_unless_the_player_says_otherwise(command, monkeypatch, said, kept):
    for name in THREADS:
        monkeypatch.delenv(name, raising=False)
    for name, value in said.items():
        monkeypatch.setenv(name, value)
    command("--help")
    assert os.environ.get("OMP_NUM_THREADS") == kept
