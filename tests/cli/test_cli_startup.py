"""Start-up stays cheap because nothing heavy is loaded for it; tests/bench/startup.py measures what that gives."""

import os
import subprocess
import sys
from importlib import metadata

import pytest

from drumtune.cli import COMMANDS, THREADS

HEAVY = ("numpy", "scipy", "matplotlib", "librosa", "numba", "soundfile", "av", "starlette", "drumtune.drum")


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_asking_for_help_or_version_loads_no_numbers_no_audio_no_pictures(option):
    script = (
        "import sys, drumtune.cli\n"
        f"sys.argv = ['drumtune', '{option}']\n"
        "try:\n    drumtune.cli.main()\n"
        "except SystemExit as stop:\n    assert stop.code == 0, stop.code\n"
        f"print('LOADED', *(name for name in {HEAVY!r} if name in sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1].split() == ["LOADED"]


def test_the_version_is_that_of_the_package(command):
    assert command("--version") == (0, f"drumtune {metadata.version('drumtune')}\n", "")


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


SLOW = ("numba", "llvmlite", "librosa", "sklearn", "pandas")
"""What takes seconds to load, and the first two to compile; nothing in a command needs them."""
DRUM = "--diameter-in 12 --rods 4"
RUNS = (
    ("synth", f"take.wav {DRUM} --taps-per-rod 2 --seed 3"),
    ("even", f"take.wav {DRUM} --taps-per-rod 2 --json --plot take.png --report take.html"),
    ("ring", "take.wav --diameter-in 12 --plot ring.png"),
    ("pair", "--diameter-in 12 --depth-in 8 --top-hz 150 --bottom-hz 160"),
    ("room", "--size-m 5.6x4.1x2.6 --drum-at 1.4,1.1,0.7 --mic-at 4.3,3,1.3 --t60-s 0.4 --render burst.wav"),
    ("room", "burst.wav --size-m 5.6x4.1x2.6 --drum-at 1.4,1.1,0.7 --mic-at 4.3,3,1.3 --plot room.png"),
    ("kit", "mine.toml --example"),
    ("kit", "mine.toml --intervals fourths --plot kit.png"),
    ("stand", "new rack --diameter-in 12 --depth-in 8 --rods 4 --log drums.sqlite3"),
    ("synth", "off.wav --drum rack --pulls 60,-60,60,-60 --log drums.sqlite3"),
    ("even", "off.wav --drum rack --taps-per-rod 3 --log drums.sqlite3"),
    ("synth", "moves.wav --drum rack --moves 1:-1/16,2:+1/16,3:-1/16,4:+1/16 --log drums.sqlite3"),
    ("turned", "moves.wav --take off.wav --drum rack --log drums.sqlite3"),
    ("log", "list --log drums.sqlite3"),
    ("lesson", "--out lesson --diameter-in 12 --depth-in 8 --rods 6 --seed 2"),
    ("demo", "--out demo"),
)


def test_no_command_loads_what_compiles_at_start(tmp_path):
    """`listen` and `serve` never end, so for those what they would call is loaded."""
    script = (
        "import sys, shlex, drumtune.cli\n"
        f"for name, words in {RUNS!r}:\n"
        "    sys.argv = ['drumtune', name, *shlex.split(words)]\n"
        "    try:\n        drumtune.cli.main()\n"
        "    except SystemExit as stop:\n        assert stop.code == 0, (name, stop.code)\n"
        f"    print('LOADED', name, *(slow for slow in {SLOW!r} if slow in sys.modules), file=sys.stderr)\n"
        "import drumtune.cli.live_job, drumtune.cli.live_terminal, drumtune.session\n"
        "import drumtune.web.app, drumtune.web.worker\n"
        f"print('LOADED', 'live', *(slow for slow in {SLOW!r} if slow in sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False)
    said = [line.split()[1:] for line in done.stderr.splitlines() if line.startswith("LOADED")]
    assert done.returncode == 0, done.stderr
    assert said == [[name] for name, _ in RUNS] + [["live"]]
    assert {name for name, _ in RUNS} | {"listen", "serve"} == set(COMMANDS)
