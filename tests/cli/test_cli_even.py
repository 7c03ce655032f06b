"""`drumtune even` and `drumtune demo` from end to end, on recordings a finite-element simulator made."""

import csv
import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose

from drumtune.audio import Recording
from drumtune.cli.job import left_out
from drumtune.drum import INCH
from drumtune.dsp.taps import SECOND, Rejected

DATA = Path(__file__).resolve().parent.parent / "data" / "taps"
TRUTH = {take["file"]: take for take in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))}
TAKE = "take01.flac"
CORRELATION = 0.95
"""What a single clean take of three taps per rod allows at worst (tests/data/taps/README.md says who made them)."""


def described(name):
    """Options that describe the drum of a recording."""
    truth = TRUTH[name]
    return (
        "--diameter-in", f"{truth['diameter_m'] / INCH:.4g}", "--rods", truth["rods"],
        "--tap-distance-mm", f"{1000 * truth['tap_distance_m']:.0f}", "--film-mil", truth["film_mil"],
    )  # fmt: skip


def answer(*words):
    """Run `even --json` as it is installed and parse what it prints, which must be JSON and nothing else."""
    words = [Path(sys.executable).with_name("drumtune"), "even", *map(str, words), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def whole():
    """Answer to the whole recording, taps counted; read once for all tests."""
    return answer(DATA / TAKE, *described(TAKE), "--taps-per-rod", 3)


@pytest.fixture(scope="module")
def one_file_per_rod(tmp_path_factory):
    """The recording cut into one file per rod, midway in each longer pause."""
    folder = tmp_path_factory.mktemp("rods")
    truth = TRUTH[TAKE]
    samples, rate = soundfile.read(DATA / TAKE)
    marks = np.array(truth["marks_s"]).reshape(truth["rods"], -1)
    cuts = [0, *(int(rate * (start - 0.1)) for start in marks[1:, 0]), samples.size]
    for rod, (start, stop) in enumerate(pairwise(cuts), start=1):
        soundfile.write(folder / f"rod {rod}.wav", samples[start:stop], rate, subtype="PCM_24")
    return folder


def pulls(answer):
    return np.array([rod["pull_cents"] for rod in answer["rods"]])


def test_the_pulls_follow_the_truth(whole):
    assert np.corrcoef(pulls(whole), TRUTH[TAKE]["cents"])[0, 1] > CORRELATION
    assert whole["verdict"] == "uneven"
    assert whole["take"]["sample_rate_hz"] == 48000.0
    assert [rod["rod"] for rod in whole["rods"]] == list(range(1, 7))


def test_no_move_exceeds_a_quarter_turn_and_each_is_whole_sixteenths(whole):
    for move in whole["moves"]:
        assert move["action"] in ("raise", "lower")
        assert move["turns"] in (0.0625, 0.125, 0.1875, 0.25)


def test_pauses_tell_the_rods_apart_as_the_count_does(whole):
    assert_allclose(pulls(answer(DATA / TAKE, *described(TAKE))), pulls(whole), atol=0.01)


def test_one_file_per_rod_reads_as_one_file_does(whole, one_file_per_rod):
    """Within a few cents: the last tap of each file has less of its ring, and noise estimates differ."""
    folder = answer(one_file_per_rod, *described(TAKE), "--taps-per-rod", 3)
    assert len(folder["take"]["files"]) == 6
    assert_allclose(pulls(folder), pulls(whole), atol=5.0)


def test_a_rod_file_with_a_tap_missing_is_named_by_its_count(command, one_file_per_rod, tmp_path):
    for file in one_file_per_rod.iterdir():
        samples, rate = soundfile.read(file)
        stop = int(1.9 * rate) if file.stem == "rod 4" else samples.size
        soundfile.write(tmp_path / file.name, samples[:stop], rate)
    status, out, err = command("even", tmp_path, *described(TAKE), "--taps-per-rod", 3)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "in the recording of rod 4: found 2 taps at " in err
    assert "asked for 3 taps" in err


def test_sounds_left_out_are_told_once_in_the_file_they_fell_in():
    take = Recording(np.zeros(2000), 1000.0, ("a/rod 1.wav", "a/rod 2.wav"), parts=((0, 800), (800, 2000)))
    sounds = (Rejected(0.3, "knock"), Rejected(0.5, SECOND), Rejected(1.2, "speech"))
    assert left_out(take, sounds) == [
        "left out the sound at 0.30 s of rod 1.wav: knock",
        "left out the sound at 0.40 s of rod 2.wav: speech",
    ]
    assert left_out(take, sounds * 3) == ["6 sounds left out that are no taps"]


def test_people_get_a_table_and_files(command, tmp_path):
    outputs = ("--plot", tmp_path / "a.png", "--csv", tmp_path / "a.csv")
    status, out, err = command("even", DATA / TAKE, *described(TAKE), "--taps-per-rod", 3, *outputs)
    assert (status, err) == (0, "")
    assert out.startswith("10 inch head, 6 rods; 18 taps used in ")
    assert "Verdict: uneven. Spread " in out
    assert "Moves, in this order:" in out
    assert len(list(csv.DictReader((tmp_path / "a.csv").read_text().splitlines()))) == 6
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_the_demo_does_the_whole_job_and_names_its_pictures(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, out, err = command("demo")
    assert (status, err) == (0, "")
    folder = tmp_path / "drumtune-demo"
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["head.png", "lines.png", "overview.pdf", "rim-strip.png"]
    assert "Pictures in the folder drumtune-demo: rim-strip.png, head.png, lines.png, overview.pdf" in out
    assert "Verdict: uneven." in out


def test_the_demo_says_where_it_cannot_write(command, tmp_path):
    (tmp_path / "taken").touch()
    status, out, err = command("demo", "--out", tmp_path / "taken")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "cannot make the folder" in err
