"""`drumtune even --each`: takes read beside each other give what each gives alone; a bad one does not stop the rest."""

import csv
import json
import subprocess
import sys
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from drumtune.cli import THREADS, each_job, each_words
from drumtune.drum import INCH

DATA = Path(__file__).resolve().parent.parent / "data" / "taps"
TRUTH = {take["file"]: take for take in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))}
TAKE = DATA / "take01.flac"
DRUM = TRUTH[TAKE.name]
STAND = (
    "--diameter-in", f"{DRUM['diameter_m'] / INCH:.4g}", "--rods", DRUM["rods"], "--taps-per-rod", 3,
    "--tap-distance-mm", f"{1000 * DRUM['tap_distance_m']:.0f}", "--film-mil", DRUM["film_mil"],
)  # fmt: skip


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """A good take, one that is not there, one that is no sound, a folder with the good one; read as installed."""
    folder = tmp_path_factory.mktemp("takes")
    (folder / "text.wav").write_text("Dear drummer, this is not a recording.\n" * 50)
    (folder / "round").mkdir()
    (folder / "round" / "a.flac").write_bytes(TAKE.read_bytes())
    takes = [TAKE, folder / "gone.wav", folder / "text.wav", folder / "round"]
    words = ["even", *takes, "--each", *STAND, "--json", "--csv", folder / "table.csv"]
    command = [Path(sys.executable).with_name("drumtune"), *words]
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
    return takes, done, folder / "table.csv"


def test_every_take_that_can_be_read_is_and_the_status_tells_of_the_rest(mixed):
    takes, done, _ = mixed
    found = json.loads(done.stdout)["takes"]
    assert done.returncode == 2
    assert [take["take"]["files"] for take in found][:3] == [[str(path)] for path in takes[:3]]
    assert [("failure" in take) for take in found] == [False, True, True, False]
    assert found[0]["rods"] == found[3]["rods"], "the same recording in a folder of its own"


def test_a_take_says_what_it_says_alone(mixed, command):
    _, done, _ = mixed
    status, out, err = command("even", TAKE, *STAND, "--json")
    assert (status, err) == (0, "")
    assert json.loads(done.stdout)["takes"][0] == json.loads(out)


def test_each_failure_is_one_line_that_names_the_take(mixed):
    takes, done, _ = mixed
    lines = done.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0] == f"drumtune: {takes[1]}: no such file: check the name"
    assert lines[1].startswith(f"drumtune: {takes[2]}: not audio")


def test_the_table_has_one_row_for_each_take(mixed):
    takes, done, path = mixed
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    first = json.loads(done.stdout)["takes"][0]
    assert [row["take"] for row in rows] == [str(take) for take in takes]
    pulls = [float(rows[0][f"pull_cents_{rod['rod']}"]) for rod in first["rods"]]
    assert pulls == [rod["pull_cents"] for rod in first["rods"]]
    assert (rows[0]["taps_used"], rows[0]["verdict"], rows[0]["failure"]) == ("18", "uneven", "")
    assert "no such file" in rows[1]["failure"]
    assert rows[1]["verdict"] == ""


def test_people_get_one_line_for_each_take_and_status_0_when_all_are_read(command):
    status, out, err = command("even", TAKE, "--each", *STAND)
    lines = out.splitlines()
    assert (status, err, len(lines)) == (0, "", 2)
    assert lines[0].split() == ["take", "taps", "verdict", "spread,", "cents", "moves"]
    assert lines[1].split()[:3] == [str(TAKE), "18", "uneven"]
    assert "rod" in lines[1]


@pytest.mark.parametrize(
    "words", [("--plot", "a.png"), ("--report", "a.html"), ("--done",), ("--turned", "none"), ("--note", "x")]
)
def test_options_of_one_take_are_refused(command, tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    status, out, err = command("even", TAKE, "--each", *STAND, *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert f"{words[0]} is for one take" in err
    assert list(tmp_path.iterdir()) == []


def test_a_drum_that_cannot_be_is_refused_once_and_not_for_every_take(command):
    status, out, err = command("even", TAKE, TAKE, "--each", "--diameter-in", 13, "--rods", 6, "--taps-per-rod", 50)
    assert (status, out, err.count("\n")) == (2, "", 1)


def test_a_worker_that_was_killed_is_a_failure_of_its_take():
    lost = Future()
    lost.set_exception(BrokenProcessPool())
    answer = each_job._answer(lost, Path("a.wav"))
    assert each_words.failure(answer) == (
        "a.wav: a process was ended while takes were read, by the system or by hand: try again"
    )


def test_what_a_worker_loads_first_leaves_time_to_say_one_thread():
    """Linear algebra reads its number of threads when numpy is loaded, so the worker must be prepared before."""
    said = (
        "import os, sys\n"
        "from drumtune.cli import each_job\n"
        "assert 'numpy' not in sys.modules\n"
        "each_job._alone()\n"
        f"print(*(os.environ[name] for name in {THREADS!r}))\n"
    )
    done = subprocess.run([sys.executable, "-c", said], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1"] * len(THREADS)


def test_progress_tells_each_take_that_is_done(monkeypatch):
    monkeypatch.setattr(each_job, "read", lambda path, way: each_job.Failed(path, "no"))
    told = []
    way = each_job.Way(type("Drum", (), {"rods": 6}))
    answers = each_job.do([Path("a"), Path("b"), Path("c")], way, workers=1, progress=told.append)
    assert [answer.path.name for answer in answers] == ["a", "b", "c"]
    assert told == pytest.approx([1 / 3, 2 / 3, 1.0])
