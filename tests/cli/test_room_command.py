"""`drumtune room` from the outside: fixed names, strict JSON, words, pictures, and one line for bad input."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.advice import room_sound
from drumtune.advice.room_burst import burst
from drumtune.physics.room import Room

SIZE = ["--size-m", "5.6x4.1x2.6"]
PLACES = ["--drum-at", "1.4,1.1,0.7", "--mic-at", "4.3,3.0,1.3"]
SAMPLES = Path(__file__).resolve().parents[2] / "samples_demo"


def strict(text):
    """Parse JSON and refuse NaN and Infinity, which are not JSON."""

    def refuse(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(text, parse_constant=refuse)


def test_json_has_the_fixed_names_and_nothing_else_is_printed(command):
    status, out, err = command("room", *SIZE, *PLACES, "--notes", "A2,D3", "--json")
    found = strict(out)
    assert (status, err) == (0, "")
    assert {"modes", "schroeder_hz", "bands", "notes"} <= set(found)
    assert all(set(mode) == {"frequency_hz", "n", "kind", "decay_s"} for mode in found["modes"])
    assert all({"note", "frequency_hz", "gain_db", "verdict"} <= set(note) for note in found["notes"])
    assert [note["note"] for note in found["notes"]] == ["A2", "D3"]
    assert found["bands"] == []


def test_modes_and_schroeder_frequency_are_those_of_the_formulae(command):
    """(c/2) n/L at 343.2 m/s and 2000 sqrt(T/V) (Kuttruff)."""
    found = strict(command("room", *SIZE, "--t60-s", "0.6", "--json")[1])
    assert found["modes"][0] == {"frequency_hz": 30.643, "n": [1, 0, 0], "kind": "axial", "decay_s": 0.6}
    assert found["schroeder_hz"] == pytest.approx(2000.0 * math.sqrt(0.6 / (5.6 * 4.1 * 2.6)), abs=1e-2)
    assert found["modes"][-1]["frequency_hz"] <= found["schroeder_hz"]


def test_a_recording_gives_octaves_modes_and_the_decay_it_was_made_with(command):
    """The demo burst: made with 0.40 s at 500 Hz and 0.35 s at 4 kHz (make_room.py); 10 % for noise."""
    found = strict(command("room", SAMPLES / "bakery-burst.wav", *SIZE, *PLACES, "--json")[1])
    bands = {round(band["centre_hz"]): band for band in found["bands"]}
    assert all({"centre_hz", "t20_s", "t30_s", "valid"} <= set(band) for band in found["bands"])
    assert bands[3981]["valid"]
    assert bands[3981]["t20_s"] == pytest.approx(0.35, rel=0.1)
    assert bands[501]["t30_s"] == pytest.approx(0.40, rel=0.1)
    assert found["t60_source"] == "measured"
    assert any(line["n"] == [1, 0, 0] for line in found["lines"])


def test_words_for_people_say_notes_and_where_the_decay_comes_from(command):
    status, out, _ = command("room", *SIZE, *PLACES, "--notes", "A2")
    assert status == 0
    assert "assumed" in out
    assert any(word in out for word in ("lifted", "left alone", "swallowed"))
    assert "Mind" in command("room", SAMPLES / "bakery-burst.wav", *SIZE)[1]


def test_files_asked_for_are_written(command, tmp_path):
    names = [tmp_path / name for name in ("room.png", "room.json", "burst.wav")]
    status, _, err = command(
        "room", *SIZE, *PLACES, "--notes", "A2,C3", "--plot", names[0], "--save", names[1], "--render", names[2]
    )
    assert (status, err) == (0, "")
    assert all(name.stat().st_size > 1000 for name in names)
    assert strict(names[1].read_text(encoding="utf-8"))["notes"][0]["note"] == "A2"


def test_a_sweep_is_written_and_read_back(command, tmp_path):
    """The sweep played through a made-up response of 0.5 s gives 0.5 s at 1 kHz, 10 % for noise."""
    status, out, _ = command("room", "--write-sweep", tmp_path / "sweep.wav")
    assert (status, "wrote" in out) == (0, True)
    played, rate = soundfile.read(tmp_path / "sweep.wav")
    response = np.random.default_rng(3).standard_normal(rate) * np.exp(
        -3.0 * math.log(10.0) * np.arange(rate) / rate / 0.5
    )
    size = played.size + response.size
    heard = np.fft.irfft(np.fft.rfft(played, size) * np.fft.rfft(response, size), size)
    soundfile.write(tmp_path / "heard.wav", 0.5 * heard / np.abs(heard).max(), rate, subtype="PCM_24")
    words = ("room", tmp_path / "heard.wav", *SIZE, "--sweep", tmp_path / "sweep.wav", "--json")
    bands = {round(band["centre_hz"]): band for band in strict(command(*words)[1])["bands"]}
    assert bands[1000]["t20_s"] == pytest.approx(0.5, rel=0.1)


def test_the_rendered_burst_has_the_decay_of_its_room():
    """Own synthesis against the closed form exp(-6.9 t/T): 0.4 s, octaves from 1 kHz, 10 % for noise."""
    room = Room((5.6, 4.1, 2.6), reverberation=((500.0, 0.4),))
    sounds = [burst(room, (1.4, 1.1, 0.7), (4.3, 3.0, 1.3), 16000.0, seed=seed) for seed in range(3)]
    for band in room_sound.bands(sounds, 16000.0)[4:]:
        assert band.t20 == pytest.approx(0.4, rel=0.1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--size-m length x width x height"),
        (["--size-m", "6x4.5x0"], "got a height of 0 m"),
        (["--size-m", "6x4.5"], "length x width x height"),
        (["--size-m", "6x4.5xnan"], "got a height of nan m"),
        (["--size-m", "99x99x99"], "no single modes"),
        ([*SIZE, "--drum-at", "7,1,1", "--mic-at", "1,1,1"], "outside the room: x is 0 to 5.6 m, got 7 m"),
        ([*SIZE, "--drum-at", "1,1,-1", "--mic-at", "1,1,1"], "outside the room: z"),
        ([*SIZE, "--drum-at", "1,1", "--mic-at", "1,1,1"], "a place is x,y,z"),
        ([*SIZE, "--drum-at", "1,1,1"], "give both --drum-at and --mic-at"),
        ([*SIZE, "--drum-at", "1,1,1", "--mic-at", "1,1,1.01"], "at one place"),
        ([*SIZE, "--notes", "H2"], "check --notes"),
        ([*SIZE, "--notes", "A9"], "20 to 1000 Hz"),
        ([*SIZE, "--notes", ",".join(["A2"] * 51)], "at most 50"),
        ([*SIZE, "--t60-s", "0"], "check --t60-s"),
        ([*SIZE, "--t60-s", "nan"], "check --t60-s"),
        ([*SIZE, "--absorption", "2"], "check --absorption"),
        ([*SIZE, "--absorption", "0.1", "--t60-s", "1"], "give the room's decay once"),
        ([*SIZE, "--near", "a.wav"], "give both --near and --far"),
        ([*SIZE, "--sweep", "a.wav"], "give its recording"),
        ([*SIZE, "none.wav"], "no such file"),
        ([*SIZE, "--plot", "room.gif"], "png"),
        ([*SIZE, "--modes-to-hz", "99999"], "check --modes-to-hz"),
        ([*SIZE, "--render", "a.wav"], "give --drum-at and --mic-at"),
    ],
)
def test_bad_input_is_one_line_and_status_2(command, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    status, out, err = command("room", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_recordings_at_two_rates_or_silent_are_refused(command, tmp_path):
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(0).standard_normal(16000) * 0.1, 8000)
    soundfile.write(tmp_path / "b.wav", np.random.default_rng(0).standard_normal(16000) * 0.1, 16000)
    assert "at one rate" in command("room", tmp_path / "a.wav", tmp_path / "b.wav", *SIZE)[2]
    soundfile.write(tmp_path / "c.wav", np.zeros(16000), 8000)
    status, _, err = command("room", tmp_path / "c.wav", *SIZE)
    assert (status, err.count("\n")) == (2, 1)


def test_a_recording_in_which_nothing_sets_in_is_refused_and_no_decay_assumed(command, tmp_path):
    rate, path = 8000, tmp_path / "fade.wav"
    noise = 0.1 * np.random.default_rng(0).standard_normal(3 * rate)
    soundfile.write(path, noise * np.linspace(0.0, 1.0, noise.size), rate)
    for words in ((path,), ("--near", path, "--far", path)):
        status, out, err = command("room", *SIZE, *words)
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert "sets in sharply: clap again" in err


def test_hits_near_and_far_are_told_apart(command, tmp_path):
    """A drum's line at 111 Hz with room modes under it; own synthesis, so only the wiring is shown here."""
    rate = 8000
    t = np.arange(2 * rate) / rate
    line = np.exp(-6.0 * t) * np.sin(2.0 * np.pi * 111.0 * t)
    mode = 0.02 * np.exp(-5.0 * t) * np.sin(2.0 * np.pi * 30.64 * t)
    for name, level in (("near", 0.8), ("far", 0.03)):
        noise = 1e-6 * np.random.default_rng(1).standard_normal(t.size)
        soundfile.write(tmp_path / f"{name}.wav", level * line + mode + noise, rate, subtype="FLOAT")
    words = ("room", *SIZE, "--near", tmp_path / "near.wav", "--far", tmp_path / "far.wav", "--json")
    rings = {round(ring["frequency_hz"]): ring["owner"] for ring in strict(command(*words)[1])["rings"]}
    assert rings == {111: "drum", 31: "room"}
