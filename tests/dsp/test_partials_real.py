"""Lines of recordings this package did not make: simulated takes of an independent code, and real drums."""

import json
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import soundfile

from drumtune.dsp.partials import find_partials

TAKES = Path(__file__).parents[1] / "data" / "taps"
SAMPLES = Path("/usr/share/sonic-pi/samples")
real = pytest.mark.skipif(not SAMPLES.is_dir(), reason="needs the Debian package sonic-pi-samples (CC0 drum hits)")
TOMS = [f"drum_tom_{size}_{force}" for size in ("hi", "mid", "lo") for force in ("soft", "hard")]
STEADY = ["tabla_na", "tabla_tun1", "tabla_tun2", "tabla_tun3"]


def lines_of_take(name):
    """Lines of a take's taps, half a second each from 4 ms after the contact began, and its true modes in Hz."""
    truth = next(t for t in json.loads((TAKES / "truth.json").read_text()) if t["file"] == name)
    wave, rate = soundfile.read(TAKES / name)
    starts = [round((mark + 0.004) * rate) for mark in truth["marks_s"]]
    taps = np.array([wave[start : start + rate // 2] for start in starts])
    return find_partials(taps, rate, band=(60.0, 700.0)), np.array(truth["modes_hz"])


def nearest(found, modes):
    return np.abs(found.frequency[:, None] - modes).min(axis=0)


def hit(name):
    """A hit from 10 ms after half its peak on."""
    wave, rate = soundfile.read(SAMPLES / f"{name}.flac")
    wave = wave.mean(axis=1) if wave.ndim == 2 else wave
    start = int(np.argmax(np.abs(wave) > 0.5 * np.abs(wave).max())) + rate // 100
    return wave[start:], rate


def test_the_first_pair_of_a_clean_take_is_found_within_a_tenth_of_a_hertz():
    # The truth of tests/data/taps, made by an independent finite-element code: (1,1) split by 5.8 Hz.
    found, modes = lines_of_take("take01.flac")
    assert nearest(found, modes[1:3]).max() < 0.1
    assert nearest(found, modes[[0, 3, 5, 9]]).max() < 0.1  # (0,1), (2,1), (0,2), (1,2) in the same take


def test_pairs_of_a_nearly_even_head_are_told_apart():
    # 192.01 and 192.22 Hz, 265.64 and 265.77 Hz: far inside the 2 Hz of a half-second transform.
    found, modes = lines_of_take("take08.flac")
    for pair in (modes[1:3], modes[3:5]):
        assert nearest(found, pair).max() < 0.05
        assert ((found.frequency > pair[0] - 2.0) & (found.frequency < pair[1] + 2.0)).sum() == 2


def test_every_strong_line_of_a_clean_take_is_a_mode():
    for name in ("take01.flac", "take08.flac"):
        found, modes = lines_of_take(name)
        energy = (np.abs(found.amplitude) ** 2).sum(axis=0) / found.decay_rate
        strong = (energy > 0.01 * energy.max()) & (found.frequency < modes[-1])
        assert np.abs(found.frequency[strong][:, None] - modes).min(axis=1).max() < 0.1


@pytest.mark.parametrize("name", ["take04.flac", "take13.flac"])
def test_the_first_pair_is_found_in_a_room_and_with_the_other_head_open(name):
    # These takes glide by some cents from tap to tap, and a room adds lines: 0.3 Hz is 2 cents.
    found, modes = lines_of_take(name)
    assert nearest(found, modes[1:3]).max() < 0.3
    near = (found.frequency > modes[1] - 8.0) & (found.frequency < modes[2] + 8.0)
    assert near.sum() == 2


@real
@pytest.mark.parametrize("name", TOMS)
def test_a_real_tom_has_one_fundamental_and_no_false_pair(name):
    wave, rate = hit(name)
    found = find_partials(wave, rate, band=(40.0, 800.0))
    energy = np.abs(found.amplitude[0]) ** 2 / found.decay_rate
    main = found.frequency[np.argmax(energy)]
    assert (np.abs(found.frequency / main - 1.0) < 0.2).sum() == 1


@real
@pytest.mark.parametrize("name", TOMS)
def test_a_real_toms_fundamental_is_where_its_late_spectrum_peaks(name):
    # FFT with parabolic interpolation of the logarithm, Hann window, from 0.25 s on: good for one slowly gliding line.
    wave, rate = hit(name)
    late = wave[rate // 4 :]
    size = 1 << 18
    level = np.log(np.abs(scipy.fft.rfft(late * np.hanning(late.size), size)) + 1e-12)
    level[: int(40 * size / rate)] = -99.0
    top = int(np.argmax(level))
    left, middle, right = level[top - 1 : top + 2]
    peak = (top + 0.5 * (left - right) / (left - 2.0 * middle + right)) * rate / size
    found = find_partials(wave, rate, band=(40.0, 800.0))
    assert np.abs(found.frequency / peak - 1.0).min() < 0.012  # it still falls by a few Hz while both look at it


@real
@pytest.mark.parametrize("name", STEADY)
def test_the_main_line_of_a_steady_stroke_agrees_with_the_transform(name):
    # Strokes whose pitch stands still: the same, but for the resolution of the transform.
    wave, rate = hit(name)
    found = find_partials(wave, rate, band=(60.0, 800.0))
    size = 1 << 19
    late = wave[rate // 10 :]
    level = np.abs(scipy.fft.rfft(late * np.hanning(late.size), size))
    level[: int(60 * size / rate)] = 0.0
    peak = float(np.argmax(level)) * rate / size
    assert np.abs(found.frequency - peak).min() < 0.002 * peak
