"""The benchmark's own simulator against other methods, and the truth of the shipped takes against it.

None of the package is in here: what is tested is what the package is measured with.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import fem_drum
import fem_recording
import make_takes
import numpy as np
import pytest
import soundfile as sf
from scipy.linalg import eigh
from scipy.signal import fftconvolve

TAKES = Path(__file__).parents[1] / "data" / "taps"
TRUTH = json.loads((TAKES / "truth.json").read_text())
DOUBLETS = ((1, 2), (3, 4), (6, 7), (8, 9), (10, 11))
"""Places of (1,1) (2,1) (3,1) (1,2) (4,1) in a list of modes by frequency."""
SPLIT = 2.5e-4
"""Two simulators, each with its own small frequency draws of 1e-4, and the unknown friction at the rim (1e-4)."""


def splits(frequency: np.ndarray) -> np.ndarray:
    return np.array([frequency[high] / frequency[low] - 1 for low, high in DOUBLETS])


@pytest.mark.parametrize("truth", TRUTH, ids=[t["file"] for t in TRUTH])
def test_finite_elements_find_the_splits_of_the_shipped_takes_from_their_pulls(truth):
    """Truth of another simulator: same definition of a rod's tension, same physics."""
    d = fem_drum.mesh()
    displacement = fem_drum.film_displacement(fem_drum.Pulls(np.array(truth["cents"])))
    found, _ = d.modes(d.stress(displacement), 14)
    np.testing.assert_allclose(splits(found), splits(np.array(truth["modes_hz"])), atol=SPLIT)


@pytest.mark.parametrize("truth", TRUTH, ids=[t["file"] for t in TRUTH])
def test_taps_of_the_shipped_takes_begin_at_their_marks(truth):
    samples, rate = sf.read(TAKES / truth["file"])
    for mark in truth["marks_s"]:
        at = round(mark * rate)
        before, after = samples[at - rate // 20 : at - rate // 1000], samples[at : at + rate // 100]
        assert np.abs(after).max() > 8 * np.abs(before).max()


def test_the_air_of_a_timpani_head_gives_rossings_ratios():
    """Measured without the kettle: T. D. Rossing, Percussionist 19(3), 1982, as quoted by R. K. Jones; to 2 %."""
    f = fem_drum.families()
    load = 2 * 1.204 * 0.328 / 0.262
    squares, vectors = eigh(np.diag(f.zero**2), np.eye(len(f.zero)) + load * fem_drum.air_matrix())
    order = f.m[np.argmax(np.abs(vectors), axis=0)]
    lowest = np.sqrt([squares[order == m].min() for m in range(1, 6)])
    np.testing.assert_allclose(lowest / lowest[0], [1, 1.48, 1.92, 2.36, 2.78], rtol=0.02)


@pytest.mark.parametrize("rim", ["held", "sliding", "spring"])
def test_the_film_is_as_tight_at_the_rods_as_was_asked(rim):
    cents = make_takes.draw_pulls(np.random.default_rng(3), 7, 120.0)
    displacement = fem_drum.film_displacement(fem_drum.Pulls(cents, rim, 0.7))
    measured = 1 + fem_drum.mesh().rod_tensions(displacement, 7)
    np.testing.assert_allclose(measured, 2 ** (cents / 600) / np.mean(2 ** (cents / 600)), atol=1e-4)


def test_a_ring_is_the_convolution_of_pulse_and_decaying_tone():
    """Another method: sampled convolution at 1.92 MHz."""
    rate, fine = 48000, 40
    pole = np.array([-9.0 + 2j * np.pi * 310.0])
    tap = fem_recording.Tap(pulse=1.8e-3, rise=0.0, start=0.0, amplitude=np.array([0.7 - 0.4j]))
    count, first = 2000, 0.4 / rate
    ours = fem_recording.ring(tap, pole.imag / (2 * np.pi), -pole.real, first, count, rate)
    t = np.arange(count * fine) / (rate * fine)
    force = np.where(t < tap.pulse, np.sin(np.pi * t / tap.pulse), 0.0)
    theirs = fftconvolve(force, np.exp(pole[0] * t))[: len(t)] / (rate * fine)
    at = np.round((first + np.arange(count - 1) / rate) * rate * fine).astype(int)
    np.testing.assert_allclose(ours[:-1], (tap.amplitude[0] * theirs[at]).real, atol=1e-3 * np.abs(ours).max())


def test_a_take_sounds_at_the_frequencies_its_truth_states_and_is_repeatable():
    take = make_takes.Take("clean", 5, 2, radius=0.1524, mil=10.0, spread=8.0, lowest=120.0, rim="held", rate=44100)
    recording, truth = make_takes.make(np.random.default_rng(8), take)
    again, _ = make_takes.make(np.random.default_rng(8), take)
    np.testing.assert_array_equal(recording, again)
    length = take.rate
    cuts = [recording[round(mark * take.rate) :][:length] for mark in truth["marks_s"]]
    spectrum = np.sqrt(np.mean([np.abs(np.fft.rfft(cut, 8 * length)) ** 2 for cut in cuts], axis=0))
    grid = np.fft.rfftfreq(8 * length, 1 / take.rate)
    for low, high in ((0, 0), (1, 2), (3, 4)):
        from_hz, to_hz = truth["modes_hz"][low], truth["modes_hz"][high]
        near = (grid > 0.95 * from_hz) & (grid < 1.04 * to_hz)
        loudest = grid[near][np.argmax(spectrum[near])]
        assert from_hz - 1.5 < loudest < to_hz + 1.5


def test_the_kinds_of_recording_differ_in_what_they_add():
    """Noise in the lead-in: quiet when clean, louder in a room, loudest through a phone."""
    rng = np.random.default_rng(2)
    take = make_takes.Take("clean", 5, 1, radius=0.15, mil=10.0, spread=50.0, lowest=120.0, rim="held")
    tone = np.r_[np.zeros(20000), np.sin(np.arange(40000) * 0.02) * np.exp(-np.arange(40000) / 8000)]
    rms = {}
    for level in ("clean", "room", "phone"):
        heard = make_takes.record(rng, replace(take, level=level), fem_recording.to_peak(tone))
        assert np.abs(heard).max() < 1
        rms[level] = np.sqrt(np.mean(heard[2000:14000] ** 2))
    assert rms["clean"] < rms["room"] / 2 < rms["phone"] / 3
