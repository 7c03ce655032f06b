"""`drumtune synth` writes what was asked for, and says what it cannot play."""

import numpy as np
import pytest
import soundfile

STAND = ("--diameter-in", "12", "--rods", "6", "--rate", "8000", "--taps-per-rod", "1")


def test_a_take_is_written_and_announced(command, tmp_path):
    status, out, err = command("synth", tmp_path / "a.wav", *STAND, "--pulls", "5,-5,10,0,-20,10", "--note", "A3")
    assert (status, err) == (0, "")
    assert out.startswith(f"wrote {tmp_path}/a.wav: ")
    samples, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == 8000
    assert 0.4 < np.abs(samples).max() < 0.6


def test_the_pitch_asked_for_is_the_pitch_of_the_first_pair(command, tmp_path):
    command("synth", tmp_path / "a.wav", *STAND, "--mean-hz", "250", "--snr-db", "80")
    samples, rate = soundfile.read(tmp_path / "a.wav")
    tap = samples[int(0.55 * rate) :][: rate // 2] * np.hanning(rate // 2)
    spectrum = np.abs(np.fft.rfft(tap, 16 * tap.size))
    frequencies = np.arange(spectrum.size) * rate / (16 * tap.size)
    near = (frequencies > 220) & (frequencies < 280)
    assert frequencies[near][np.argmax(spectrum[near])] == pytest.approx(250.0, abs=0.5)  # a quarter of a bin


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--pulls", "1,2"), "6 rods need 6 pulls, got 2"),
        (("--pulls", "a,b,c,d,e,f"), "numbers with commas"),
        (("--pulls", "nan,0,0,0,0,0"), "-300 to 300 cents"),
        (("--note", "H2"), "a note is a letter"),
        (("--note", "A3", "--mean-hz", "220"), "not both"),
        (("--mean-hz", "5"), "40 to 1200 Hz"),
        (("--rate", "100"), "--rate lies in 8000 to 192000"),
        (("--slide", "2"), "--slide lies in 0 to 1"),
        (("--snr-db", "nan"), "--snr-db lies in"),
        (("--taps-per-rod", "0"), "--taps-per-rod lies in 1 to 20"),
        (("--diameter-in", "120"), "5 to 40 inches"),
    ],
)
def test_what_cannot_be_played_is_refused_and_nothing_written(command, tmp_path, options, says):
    status, out, err = command("synth", tmp_path / "a.wav", *STAND, *options)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert list(tmp_path.iterdir()) == []


WHOLE = ("--diameter-in", "12", "--depth-in", "8", "--note", "A3", "--hits", "2")


@pytest.mark.parametrize(("rate", "bits"), [(44100, 16), (48000, 24), (96000, 24)])
def test_whole_hits_are_written_at_any_usual_rate_and_width(command, tmp_path, rate, bits):
    status, out, err = command("synth", tmp_path / "a.wav", *WHOLE, "--rate", rate, "--bits", bits)
    assert (status, err) == (0, "")
    assert "2 hits" in out
    found = soundfile.info(tmp_path / "a.wav")
    assert (found.samplerate, found.subtype) == (rate, f"PCM_{bits}")


def test_whole_hits_hold_the_note_of_the_coupled_drum(command, tmp_path):
    """The lower (0,1) of the drum at A3 and three semitones, as `drumtune pair` tells it, is a peak of the spectrum."""
    import json

    command("synth", tmp_path / "a.wav", *WHOLE, "--rate", "8000", "--glide-cents", "0")
    _, told, _ = command("pair", "--diameter-in", "12", "--depth-in", "8", "--top-hz", "220", "--json")
    note = next(row["low_hz"] for row in json.loads(told)["offsets"] if row["semitones"] == 3)
    samples, rate = soundfile.read(tmp_path / "a.wav")
    tap = samples[int(0.4 * rate) :][:rate] * np.hanning(rate)
    spectrum = np.abs(np.fft.rfft(tap, 8 * rate))
    frequencies = np.arange(spectrum.size) / 8.0
    near = np.abs(frequencies / note - 1.0) < 0.1
    assert frequencies[near][np.argmax(spectrum[near])] == pytest.approx(note, abs=0.5)


def test_a_room_changes_the_hits_and_a_seed_repeats_them(command, tmp_path):
    for name, more in (("dry", ()), ("wet", ("--room-m", "5x4x2.6")), ("again", ("--room-m", "5x4x2.6"))):
        assert command("synth", tmp_path / f"{name}.wav", *WHOLE, "--rate", "8000", *more)[0] == 0
    dry, wet, again = ((tmp_path / f"{name}.wav").read_bytes() for name in ("dry", "wet", "again"))
    assert wet == again
    assert wet != dry


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--bits", "20"), "--bits is 16 or 24"),
        (("--depth-in", "0"), "--depth-in lies in 1 to 40"),
        (("--depth-in", "8", "--hits", "0"), "--hits lies in 1 to 50"),
        (("--depth-in", "8", "--glide-cents", "nan"), "--glide-cents lies in"),
        (("--depth-in", "8", "--room-m", "big"), "size"),
        (("--depth-in", "8", "--bottom-semitones", "24"), "no bottom head"),
        ((), "give --rods"),
    ],
)
def test_whole_hits_that_cannot_be_played_are_refused(command, tmp_path, options, says):
    status, out, err = command("synth", tmp_path / "a.wav", "--diameter-in", "12", "--rate", "8000", *options)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.mp3", "a.flac", "a"])
def test_a_name_that_promises_something_else_than_a_wav_is_refused(command, tmp_path, name):
    status, out, err = command("synth", tmp_path / name, *STAND)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "give a name that ends in .wav" in err
    assert list(tmp_path.iterdir()) == []
