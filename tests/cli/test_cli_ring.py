"""`drumtune ring` at the command: the fixed names, strict JSON, words, pictures, and one line for bad input."""

import json

import numpy as np
import pytest
import soundfile

FS = 44100
LINES = ((110.0, 0.9, 1.0), (170.0, 1.6, 0.5), (224.0, 0.7, 0.4))
NAMES = {"hits", "bands", "summary", "advice"}
HIT = {
    "start_s", "settled_hz", "note", "cents", "glide_cents", "edt_s", "t20_s", "t30_s", "valid", "curvature_percent",
    "noise_floor_db", "partials", "beats",
}  # fmt: skip
"""Names fixed by the job's description, here and below."""
PARTIAL = {"frequency_hz", "frequency_sd_hz", "level_db", "decay_s", "decay_sd_s", "m", "n"}
BEAT = {"low_hz", "high_hz", "rate_hz", "depth_db", "audible", "cause"}


def sound(lines=LINES, duration=1.6, seed=0):
    times = np.arange(int(duration * FS)) / FS
    made = sum(a * 10 ** (-3 * times / t) * np.cos(2 * np.pi * f * times) for f, t, a in lines)
    quiet = np.zeros(int(0.2 * FS))
    return np.concatenate([quiet, 0.3 * made]) + 1e-4 * np.random.default_rng(seed).standard_normal(
        quiet.size + times.size
    )


@pytest.fixture
def recorded(tmp_path):
    def write(name, samples):
        path = tmp_path / name
        soundfile.write(path, samples, FS, subtype="FLOAT")
        return path

    return write


def strict(text):
    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def test_the_json_has_the_fixed_names_and_true_values(command, recorded):
    lines = (*LINES, (173.0, 1.6, 0.4))
    status, out, err = command("ring", recorded("a.wav", sound(lines)), "--json")
    assert (status, err) == (0, "")
    answer = strict(out)
    assert set(answer) >= NAMES
    (hit,) = answer["hits"]
    assert set(hit) >= HIT
    assert set(hit["valid"]) == {"edt", "t20", "t30"}
    assert all(set(partial) == PARTIAL for partial in hit["partials"])
    assert [set(beat) for beat in hit["beats"]] == [BEAT]
    assert all(set(band) >= {"centre_hz", "t20_s", "valid"} for band in answer["bands"])
    assert hit["settled_hz"] == pytest.approx(170.0, rel=5e-4)  # it outlasts the lower, stronger line
    assert hit["note"] == "F3"  # 174.61 Hz, A4 = 440 Hz (ISO 16); E3 is 164.81 Hz
    assert [partial["decay_s"] for partial in hit["partials"]] == pytest.approx([0.9, 1.6, 1.6, 0.7], rel=0.02)
    assert answer["summary"]["hits"] == 1


def test_what_is_not_known_is_null(command, recorded):
    """Half a tenth of a second more than the shortest hit: T30 has no range, so null and the reason."""
    _, out, _ = command("ring", recorded("a.wav", sound(duration=0.15)), "--json")
    (hit,) = strict(out)["hits"]
    assert hit["t30_s"] is None
    assert hit["valid"]["t30"] is False
    assert "35 dB are needed" in hit["reasons"]["t30"]


def test_several_files_and_hits_are_summed(command, recorded):
    one, two = recorded("a.wav", np.concatenate([sound(), 0.6 * sound(seed=1)])), recorded("b.wav", sound(seed=2))
    status, out, _ = command("ring", one, two)
    assert status == 0
    assert "Hit 3 at 0.20 s" in out
    assert "Median of 3 hits (spread):" in out


def test_modes_are_named_where_the_diameter_is_given(command, recorded):
    """Lines at the air-loaded ratios of a 12 inch head over (1,1) at 170 Hz."""
    from drumtune.advice.families import ratios

    lines = [(100.0, 0.9, 1.0), *((170.0 * r, 0.8, 0.5) for r in ratios(0.1524)[[0, 1, 3]])]
    _, out, _ = command("ring", recorded("a.wav", sound(lines)), "--diameter-in", "12", "--json")
    partials = strict(out)["hits"][0]["partials"]
    assert [(p["m"], p["n"]) for p in partials] == [(0, 1), (1, 1), (2, 1), (3, 1)]


def test_with_a_diameter_what_tape_would_do_is_forecast(command, recorded):
    """The same lines, (1,1) ringing twice as long as (0,1); without a diameter no mode is known and nothing is said."""
    from drumtune.advice.families import ratios

    lines = [(100.0, 0.6, 1.0), *((170.0 * r, 1.2 * r**-2, 0.5) for r in ratios(0.1524)[[0, 1, 3]])]
    path = recorded("a.wav", sound(lines))
    _, out, _ = command("ring", path, "--diameter-in", "12", "--json")
    (told,) = [line for line in strict(out)["advice"] if line.startswith("Forecast")]
    assert "inches) in from the rim that brings 170 Hz down to the lowest's length: 100 Hz (0,1) 0.60 to " in told
    assert f"- {told}" in command("ring", path, "--diameter-in", "12")[1]
    assert "Forecast" not in command("ring", path)[1]


def test_a_comparison_tells_what_the_damping_did(command, recorded):
    before = recorded("before.wav", sound())
    after = recorded("after.wav", sound(((110.0, 0.9, 1.0), (170.0, 0.8, 0.5), (224.0, 0.7, 0.4)), seed=3))
    status, out, _ = command("ring", before, "--compare", after)
    assert status == 0
    assert "170 Hz: 1.60 s before, 0.80 s after (-50 %)" in out
    assert "within what the two recordings can tell apart" in out


def test_a_picture_is_written(command, recorded, tmp_path):
    path = tmp_path / "ring.png"
    assert command("ring", recorded("a.wav", sound()), "--plot", path)[0] == 0
    assert path.read_bytes().startswith(b"\x89PNG")


def test_a_clipped_hit_is_marked_and_no_failure(command, recorded):
    status, out, _ = command("ring", recorded("a.wav", np.clip(sound(), -0.2, 0.2)))
    assert status == 0
    assert "(not valid)" in out
    assert "clipped" in out


@pytest.mark.parametrize(("samples", "word"), [
    (np.zeros(FS), "silent"),
    (0.1 * np.random.default_rng(0).standard_normal(FS), "stroke"),
    (sound(duration=0.08), "0.1 s"),
    (np.repeat([0.0, 0.5, 0.0], [FS // 2, 10, FS]), "over at once"),
    (np.full(FS, np.nan), "not numbers"),
    (np.zeros(0), "no sound"),
])  # fmt: skip
def test_a_recording_that_bears_nothing_is_one_line(command, recorded, tmp_path, samples, word):
    picture = tmp_path / "ring.png"
    status, out, err = command("ring", recorded("a.wav", samples), "--plot", picture)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith("drumtune: ")
    assert word in err
    assert "a.wav" in err
    assert not picture.exists()


@pytest.mark.parametrize(("words", "said"), [
    (("--diameter-in", "120"), "5 to 40 inches"),
    (("--diameter-in", "nan"), "5 to 40 inches"),
    (("--plot", "ring.xyz"), ".png, .svg or .pdf"),
    (("--compare", "missing.wav"), "missing.wav"),
    (("--channel", "7"), "channel"),
])  # fmt: skip
def test_bad_options_are_one_line(command, recorded, words, said):
    status, out, err = command("ring", recorded("a.wav", sound(duration=0.5)), *words)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert said in err


def test_what_is_no_audio_is_one_line(command, tmp_path):
    path = tmp_path / "notes.wav"
    path.write_text("not audio at all")
    status, _, err = command("ring", path)
    assert status == 2
    assert err.count("\n") == 1


def test_no_figure_is_a_zero_with_a_minus():
    """A strongest line a hundredth of a decibel under the reference is 0.0 dB, and a fall of nothing 0 cents."""
    from drumtune.advice.ring import Partial
    from drumtune.cli import ring_words

    told = ring_words._partial_text(Partial(100.0, 0.1, -0.01, 1.0, 0.1, None))
    assert " 0.0 dB" in told
    assert "-0.0" not in told


def test_octaves_are_told_by_their_nominal_names_and_kept_exact_in_the_json(command, recorded):
    """IEC 61260-1, annex E: the octave of 10^2.1 Hz is called 125 Hz."""
    times = np.arange(int(1.6 * FS)) / FS
    noise = np.random.default_rng(5).standard_normal(times.size) * 10 ** (-3 * times / 0.5)
    path = recorded("a.wav", np.concatenate([np.zeros(int(0.2 * FS)), 0.1 * noise]))
    (told,) = [line for line in command("ring", path)[1].splitlines() if line.startswith("T20 by band")]
    assert " 125 Hz " in told
    assert " 126 Hz " not in told
    assert 125.893 in [band["centre_hz"] for band in strict(command("ring", path, "--json")[1])["bands"]]
