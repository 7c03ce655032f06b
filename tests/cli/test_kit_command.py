"""`drumtune kit` from the outside: fixed names, strict JSON, words, pictures, a fill, and one line for bad input."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.notes import note_frequency

KIT = Path(__file__).resolve().parents[2] / "samples_demo" / "bakery-kit.toml"
DRUM = {
    "name", "note", "frequency_hz", "rod_hz", "film_stress_mpa", "stiffness_n_per_mm", "bottom_offset_semitones",
    "notes",
}  # fmt: skip
ROOM = {
    "modes": [
        {"frequency_hz": f, "n": [1, 0, 0], "kind": "axial", "decay_s": 0.5} for f in np.arange(30.0, 300.0, 7.0)
    ],
    "schroeder_hz": 150.0,
    "bands": [],
    "notes": [],
}
"""A room with nothing but the fixed names."""


def strict(text):
    """Parse JSON and refuse NaN and Infinity, which are not JSON."""

    def refuse(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(text, parse_constant=refuse)


def test_json_has_the_fixed_names_and_nothing_else_is_printed(command):
    status, out, err = command("kit", KIT, "--intervals", "fourths", "--json")
    found = strict(out)
    assert (status, err) == (0, "")
    assert {"drums", "alternatives", "conflicts"} <= set(found)
    assert [drum["name"] for drum in found["drums"]] == ["rack", "middle", "floor", "snare"]
    assert all(set(drum) >= DRUM for drum in found["drums"])
    for drum in found["drums"]:
        assert drum["frequency_hz"] == pytest.approx(note_frequency(drum["note"]), abs=1e-3)
        assert drum["range_hz"][0] <= drum["frequency_hz"] <= drum["range_hz"][1]
        assert 1.5 <= drum["film_stress_mpa"] <= 0.7 * 98.0
    rack, middle, floor, _ = (drum["frequency_hz"] for drum in found["drums"])
    assert rack / middle == pytest.approx(2.0 ** (5.0 / 12.0), rel=1e-5)
    assert middle / floor == pytest.approx(2.0 ** (5.0 / 12.0), rel=1e-5)
    for other in found["alternatives"]:
        assert {"best_for", "drums", "gains", "gives_up"} <= set(other)
        assert other["cost"] >= found["cost"]


def test_words_say_how_to_get_there(command):
    status, out, _ = command("kit", KIT, "--intervals", "fourths")
    assert status == 0
    assert "every rod by about" in out
    assert "bottom head near a rod" in out


def test_a_room_changes_the_choice_or_its_price(command, tmp_path):
    """A room written by drumtune room, and one with only the names fixed for programs."""
    saved = tmp_path / "room.json"
    command("room", "--size-m", "5.6x4.1x2.6", "--drum-at", "1.4,1.1,0.7", "--mic-at", "4.3,3,1.3", "--save", saved)
    bare = tmp_path / "bare.json"
    bare.write_text(json.dumps(ROOM), encoding="utf-8")
    plain = strict(command("kit", KIT, "--json")[1])
    for path in (saved, bare):
        found = strict(command("kit", KIT, "--room", path, "--json")[1])
        assert all(drum["room_gain_db"] is not None for drum in found["drums"])
        assert found["cost"] > plain["cost"]
    assert all(drum["room_gain_db"] is None for drum in plain["drums"])


def test_matching_moves_little_and_leaves_drums_that_are_well(command):
    """Without a room the kit as it stands is out of trouble: no change."""
    found = strict(command("kit", KIT, "--match", "--json")[1])
    changes = {drum["name"]: drum["change_cents"] for drum in found["drums"]}
    assert changes["rack"] == changes["floor"] == 0.0
    assert all(abs(change) <= 500.0 for change in changes.values())
    assert found["alternatives"] == []


def test_present_pitches_come_from_the_command_line_or_a_reading(command, tmp_path):
    """The JSON of drumtune even: mean of its (1,1) pair."""
    reading = tmp_path / "even.json"
    rows = [{"m": 1, "n": 1, "frequency_hz": f} for f in (206.0, 208.0)] + [{"m": 0, "n": 1, "frequency_hz": 120.0}]
    reading.write_text(json.dumps({"modes": rows}), encoding="utf-8")
    words = ("kit", KIT, "--match", "--now", f"middle={reading}", "--now", "rack=250", "--json")
    drums = {drum["name"]: drum for drum in strict(command(*words)[1])["drums"]}
    assert drums["middle"]["rod_hz"] == pytest.approx(207.0, rel=1e-3)
    assert drums["rack"]["rod_hz"] == pytest.approx(250.0, rel=1e-3)


def test_files_asked_for_are_written(command, tmp_path):
    """The fill: four strokes on each of four drums, peak 0.7 of full scale."""
    picture, fill = tmp_path / "kit.svg", tmp_path / "fill.wav"
    status, _, err = command("kit", KIT, "--plot", picture, "--render", fill)
    assert (status, err) == (0, "")
    sound, rate = soundfile.read(fill)
    assert rate == 48000
    assert np.abs(sound).max() == pytest.approx(0.7, abs=1e-3)
    assert b"<svg" in picture.read_bytes()


def test_the_fill_sounds_the_chosen_notes(command, tmp_path):
    """Strongest line under 1.3 times the note in the last drum's ring is its note (lowest: the floor tom), 2 %."""
    fill = tmp_path / "fill.wav"
    found = strict(command("kit", KIT, "--intervals", "fourths", "--render", fill, "--json")[1])
    lowest = min(drum["frequency_hz"] for drum in found["drums"])
    sound, rate = soundfile.read(fill)
    ring = sound[round(2.9 * rate) :]
    spectrum = np.abs(np.fft.rfft(ring * np.hanning(ring.size), 8 * ring.size))
    f = np.fft.rfftfreq(8 * ring.size, 1.0 / rate)
    near = (f > 0.7 * lowest) & (f < 1.3 * lowest)
    assert f[near][spectrum[near].argmax()] == pytest.approx(lowest, rel=0.02)


def test_an_example_is_written_once_and_works(command, tmp_path):
    path = tmp_path / "mine.toml"
    assert command("kit", path, "--example")[0] == 0
    assert command("kit", path)[0] == 0
    status, out, err = command("kit", path, "--example")
    assert (status, out) == (2, "")
    assert "already" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([KIT, "--intervals", "24,24"], "cannot be spread in 24,24: "),
        ([KIT, "--intervals", "5"], "3 toms have 2 steps"),
        ([KIT, "--intervals", "tritonic"], "check --intervals"),
        (["none.toml"], "no file none.toml"),
        (["."], "no plain file"),
        ([KIT, "--room", KIT], "no JSON"),
        ([KIT, "--room", "none.json"], "no file"),
        ([KIT, "--now", "tom=100"], "NAME one of rack, middle, floor, snare"),
        ([KIT, "--now", "rack=5"], "20 and 2000 Hz"),
        ([KIT, "--now", "rack=none.json"], "no file"),
        ([KIT, "--plot", "kit.gif"], "png"),
        ([KIT, "--plot", KIT], "cannot write"),
    ],
)
def test_bad_input_is_one_line_and_status_2(command, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    status, out, err = command("kit", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert said in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "text",
    [
        "[]", "{}", '{"modes": 3}', '{"modes": [{}]}', '{"modes": [{"frequency_hz": -3, "decay_s": 1}]}',
        '{"response": {}}',
        '{"response": {"start_hz": 20, "step_hz": 0.5, "gain_db": [NaN, 1]}}', '{"modes": [3]}', '{"response": 3}',
        '{"response": {"start_hz": 20, "step_hz": 0, "gain_db": [0, 1]}}', "[" * 100_000,
    ],
)  # fmt: skip
def test_a_file_that_is_no_room_is_refused_in_one_line(command, tmp_path, text):
    (tmp_path / "room.json").write_text(text, encoding="utf-8")
    status, out, err = command("kit", KIT, "--room", tmp_path / "room.json")
    assert (status, out, err.count("\n")) == (2, "", 1)


def test_a_kit_without_present_pitches_cannot_be_matched(command, tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text(KIT.read_text(encoding="utf-8").replace(", rod_hz = 255", ""), encoding="utf-8")
    status, _, err = command("kit", path, "--match")
    assert status == 2
    assert "rack: its present pitch is not known" in err


def test_a_drum_described_in_centimetres_gets_no_turns(command, tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text(KIT.read_text(encoding="utf-8").replace("diameter_in = 12", "diameter_in = 30.5"), encoding="utf-8")
    _, out, _ = command("kit", path)
    assert "middle: top head: that is not a retuning: check diameter_in (inches) and rod_hz" in out
    assert "rack: top head: lower every rod by about" in out
