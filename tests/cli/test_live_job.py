"""What the live page and the terminal ask for, on a real log: a recording read, pair, kit, ring and log of a drum."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.cli import live_job
from drumtune.drum import INCH, MIL, Head
from drumtune.errors import DrumtuneError
from drumtune.physics import film, held_head
from drumtune.physics.two_heads import BOTTOM, TwoHeads
from drumtune.session import Session

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


SNARE = ("--diameter-in", 14, "--depth-in", 5.5, "--bottom-film-mil", 2)


def test_page_and_command_advise_no_snare_side_past_what_its_film_bears(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    logged = ("--drum", "snare", "--log", "log.sqlite3")
    assert command("stand", "new", "snare", *SNARE, "--rods", 8, "--log", "log.sqlite3")[0] == 0
    assert command("synth", "take.wav", *logged, "--mean-hz", 330, "--taps-per-rod", 3)[0] == 0
    live_job.read_file(Path("log.sqlite3"), "snare", Path("take.wav"), 3)
    page = live_job.pair(Path("log.sqlite3"), "snare")
    said = json.loads(command("pair", *logged, "--top-hz", page["stand"]["top_hz"], "--json")[1])
    described = json.loads(command("pair", *SNARE, "--top-hz", page["stand"]["top_hz"], "--json")[1])
    steps = [[one["semitones"] for one in found["recommended"]] for found in (page, said, described)]
    assert steps[0] == steps[1] == steps[2]
    drum = TwoHeads(Head.of_film(7 * INCH, 10), Head.of_film(7 * INCH, 2), 5.5 * INCH)
    pitches = [target["bottom_hz"] for target in page["targets"]]
    assert film.stress(held_head.held_tension(drum, pitches, 1, BOTTOM), 2 * MIL).max() < film.STRENGTH


def test_the_drums_of_the_log_make_a_kit(log):
    assert {drum["name"] for drum in live_job.kit(log)["drums"]} == {"lab", "../floor"}


def test_a_hit_is_read_for_its_note(log):
    samples, rate = soundfile.read(TAKE, frames=2 * 48000)
    start = np.abs(samples).argmax()
    found = live_job.ring(log, "lab", samples[max(start - 12000, 0) :], float(rate))
    assert found["text"]


def test_the_picture_of_a_hit_begins_at_its_peak_and_falls_to_the_noise(log):
    samples, rate = soundfile.read(TAKE, frames=2 * 48000)
    start = np.abs(samples).argmax()
    picture = live_job.ring(log, "lab", samples[max(start - 12000, 0) :], float(rate))["picture"]
    levels = np.array(picture["levels_db"])
    assert levels.size == len(picture["times_s"]) <= 250
    assert levels.max() == pytest.approx(0.0, abs=0.1)  # level is counted from the peak
    assert levels[-1] < picture["floor_db"] + 6.0
    assert len(picture["glide"]["cents"]) == len(picture["glide"]["law"]) == len(picture["glide"]["times_s"])


def test_a_live_round_without_a_log_has_the_pulls_of_the_file(log, tmp_path):
    samples, rate = soundfile.read(TAKE)
    session = Session(6, 3)
    session.listen(float(rate))
    for start in range(0, samples.size, 1024):
        session.feed(samples[start : start + 1024])
    drum = live_job.kept_stand(log, "lab").stand.drum
    live_job.prepare_alone(drum)
    alone = live_job.read_alone(drum, session.take())
    place = tmp_path / "log.sqlite3"
    live_job.describe(place, {"name": "lab", **DRUM})
    file = live_job.read_file(place, "lab", TAKE, 3)
    pulls = [[rod["pull_cents"] for rod in found.document["rods"]] for found in (alone, file)]
    assert np.abs(np.subtract(*pulls)).max() < 1.0  # cents, as promised
    assert "log" not in alone.document
    assert set(alone.document["words"]) == {"verdict", "expected"}
    assert all(said in alone.text for said in alone.document["words"].values())  # the page says what the terminal says
    assert live_job.log_of(place, "lab")[0]["spread_sd_cents"] > 0.0


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
