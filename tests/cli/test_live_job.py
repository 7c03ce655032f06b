"""What the live page and the terminal ask for, on a real log: a recording read, pair, kit, ring and log of a drum."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.cli import live_job
from drumtune.errors import DrumtuneError

TAKE = Path(__file__).parents[1] / "data" / "taps" / "take01.flac"
DRUM = {"diameter_in": 10, "depth_in": 9, "rods": 6, "top": {"film_mil": 7.5}, "bottom": {"film_mil": 7.5}}


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    place = tmp_path_factory.mktemp("log") / "log.sqlite3"
    assert live_job.drums(place) == []
    assert live_job.describe(place, {"name": "lab", **DRUM}) == "lab"
    live_job.describe(place, {"name": "../floor", **DRUM, "diameter_in": 14, "depth_in": 12})
    return place


def test_an_uploaded_recording_is_one_more_round_and_pair_suggestions_follow_from_it(log):
    with pytest.raises(DrumtuneError, match="was not read yet"):
        live_job.pair(log, "lab")
    found = live_job.read_file(log, "lab", TAKE, 3)
    assert found.document["log"]["drum"] == "lab"
    assert found.document["take"]["files"] == ["take01.flac"]
    assert [row["number"] for row in live_job.log_of(log, "lab")] == [1]
    assert live_job.pair(log, "lab")["recommended"]


def test_the_drums_of_the_log_make_a_kit(log):
    assert {drum["name"] for drum in live_job.kit(log)["drums"]} == {"lab", "../floor"}


def test_a_hit_is_read_for_its_note(log):
    samples, rate = soundfile.read(TAKE, frames=2 * 48000)
    start = np.abs(samples).argmax()
    found = live_job.ring(log, "lab", samples[max(start - 12000, 0) :], float(rate))
    assert found["text"]


def test_a_drums_folder_does_not_depend_on_what_its_name_would_be_as_a_path(log):
    folder = live_job.folder_of(log, "../floor")
    assert folder.parent == log.parent / live_job.FOLDER


def test_a_drum_that_cannot_be_is_refused(log):
    with pytest.raises(DrumtuneError):
        live_job.describe(log, {"name": "x", **DRUM, "rods": 3})
    with pytest.raises(DrumtuneError):
        live_job.describe(log, {"name": ["x"], "rods": {}, "diameter_in": None, "depth_in": "wide"})
    with pytest.raises(DrumtuneError, match="no drum called 'tom'"):
        live_job.rods_of(log, "tom")
