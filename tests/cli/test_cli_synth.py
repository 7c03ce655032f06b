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
