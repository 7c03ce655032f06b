"""Notes in a room, and rooms from recordings: against closed forms, an image-source model and a decay library."""

import math
import warnings
from contextlib import contextmanager
from importlib import metadata

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from drumtune.advice import room as advice
from drumtune.advice import room_sound
from drumtune.dsp.decay import decay_figures, energy_decay
from drumtune.errors import TakeError
from drumtune.notes import note_frequency
from drumtune.physics import room as rooms
from drumtune.physics.room import Room

STUDIO = Room((6.0, 4.5, 2.8), reverberation=((500.0, 0.5),))
DRUM, MIC = (1.3, 0.9, 0.6), (4.1, 3.2, 1.4)
RATE = 8000
DECAY_TOLERANCE = 0.02  # asked for by the job
IN_PRINCIPLE = 0.05  # a decay of noise has a statistical error of a few per cent in low octaves


def library(name):
    """A reference library, without the warnings its import gives."""
    with quiet():
        return pytest.importorskip(name, reason=f"needs {name}, of the extra `reference`")


@pytest.fixture(scope="module")
def response():
    """Impulse response of a room by pyroomacoustics' image-source model, other walls on each side, 8 kHz."""
    acoustics = library("pyroomacoustics")
    names = ("west", "east", "south", "north", "floor", "ceiling")
    absorbed = dict(zip(names, (0.25, 0.2, 0.3, 0.25, 0.2, 0.3), strict=True))
    materials = {name: acoustics.Material(value) for name, value in absorbed.items()}
    box = acoustics.ShoeBox((6.0, 4.5, 2.8), fs=RATE, materials=materials, max_order=45, air_absorption=False)
    box.add_source(DRUM)
    box.add_microphone(MIC)
    box.compute_rir()
    return np.asarray(box.rir[0][0], float)


def test_a_note_on_a_strong_mode_is_lifted_and_one_between_is_not():
    """Places in two corners excite every mode fully; the mode (1,0,0) at 28.6 Hz stands alone (next: 38.1 Hz)."""
    room = Room((6.0, 4.5, 2.8), reverberation=((500.0, 1.5),))
    curve = advice.gain_curve(room, (0.05, 0.05, 0.05), (5.95, 4.4, 2.7), 250.0)
    on, between = curve.at([28.6, 33.0], decay=8.0)
    assert on > between + 10.0
    assert advice.verdict(float(on)) == "lifted"


@pytest.mark.parametrize(("gain_db", "word"), [
    (3.1, "lifted"), (2.9, "left alone"), (0.0, "left alone"), (-2.9, "left alone"), (-3.1, "swallowed"),
    (-60.0, "swallowed"),
])  # fmt: skip
def test_a_note_is_lifted_or_swallowed_by_more_than_three_decibels(gain_db, word):
    """docs/room.md."""
    assert advice.verdict(gain_db) == word


def test_a_note_on_a_mode_whose_node_the_drum_stands_on_is_not_lifted_by_it():
    """Drum in the middle of the length: (1,0,0) is not excited (its shape is zero there)."""
    room = Room((6.0, 4.5, 2.8), reverberation=((500.0, 1.5),))
    corner, middle = (advice.gain_curve(room, (x, 0.9, 0.6), (5.9, 3.2, 1.4), 250.0).at(28.6) for x in (0.05, 3.0))
    assert corner > middle + 10.0


def test_gain_of_a_long_note_is_that_of_its_frequency_and_of_a_short_one_a_mean():
    """Width 3 ln 10/(2 pi T60): 0.1 Hz for 10 s, 22 Hz for 0.05 s."""
    curve = advice.GainCurve(np.arange(20.0, 250.0, 0.5), np.where(np.arange(20.0, 250.0, 0.5) == 100.0, 20.0, 0.0))
    assert curve.at(100.0, decay=30.0) > 19.0
    assert curve.at(100.0, decay=0.05) < 6.0
    assert curve.at(600.0) == 0.0


def test_gain_averages_to_nothing_over_notes_and_places():
    """0 dB is the mean level by definition: 25 pairs of places, 1.5 dB for chance and walls."""
    rng = np.random.default_rng(3)
    gains = []
    for _ in range(25):
        a, b = rng.uniform(0.0, 1.0, (2, 3)) * np.array(STUDIO.size)
        curve = advice.gain_curve(STUDIO, tuple(a), tuple(b), 320.0)
        gains.append(curve.gain_db[curve.frequency > 200.0].mean())
    assert abs(np.mean(gains)) < 1.5


def test_a_report_names_notes_and_their_modes():
    found = advice.report(STUDIO, DRUM, MIC, ("A2", "E3"))
    assert [note.name for note in found.notes] == ["A2", "E3"]
    assert found.notes[0].frequency == note_frequency("A2")
    assert abs(found.modes.frequency[found.notes[0].mode] - 110.0) < 3.0
    assert found.schroeder == pytest.approx(2000.0 * math.sqrt(0.5 / 75.6), rel=1e-6)
    assert {note.verdict for note in found.notes} <= {"lifted", "left alone", "swallowed"}


def test_a_list_of_modes_gives_the_mean_gain_roughly():
    """Against the mean over all places of the same room: alike to 2 dB rms over 35-150 Hz but for level."""
    found = rooms.modes(STUDIO, 320.0)
    rough = advice.curve_from_modes(found.frequency.tolist(), found.decay.tolist())
    fine = advice.gain_curve(STUDIO, None, None, 320.0)
    f = np.linspace(35.0, 150.0, 60)
    assert np.std(rough.at(f) - fine.at(f)) < 2.0
    with pytest.raises(ValueError, match="modes need frequencies"):
        advice.curve_from_modes([], [])


def in_band(sound, rate, centre):
    """A sound in an octave by scipy's filter, from its onset on, of energy 1; and our figures of its decay."""
    band = butter(3, [centre / 1.41, centre * 1.41], "band", fs=rate, output="sos")
    filtered = sosfiltfilt(band, sound)
    filtered = filtered[int(np.argmax(np.abs(filtered) > 0.1 * np.abs(filtered).max())) :]
    return filtered / np.linalg.norm(filtered), decay_figures(energy_decay(filtered, rate))


def agreeing(ours, pyrato, curve):
    """How many of our figures are valid; each of these must be pyrato's, read from its curve."""
    valid = [(name, figure) for name, figure in (("T20", ours.t20), ("T30", ours.t30)) if figure.valid]
    for name, figure in valid:
        other = float(np.squeeze(pyrato.parameters.reverberation_time_linear_regression(curve, name)))
        assert figure.value == pytest.approx(other, rel=DECAY_TOLERANCE)
    return len(valid)


@contextmanager
def quiet():
    """Without the warnings of changes to come that pyfar gives."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def test_decay_agrees_with_another_library(response):
    """pyrato's T20 and T30 on one band of pyroomacoustics' response and of a noise burst, 2 % where ours are valid.

    The filter is scipy's for both: octave filters differ between libraries and are not what is compared.
    """
    pyrato, pyfar = library("pyrato"), library("pyfar")
    t = np.arange(2 * RATE) / RATE
    burst = np.random.default_rng(4).standard_normal(t.size) * np.exp(-3.0 * math.log(10.0) * t / 0.6)
    compared = 0
    for sound in (response, burst):
        for centre in (500.0, 1000.0, 2000.0):
            signal, ours = in_band(sound, RATE, centre)
            with quiet():  # pyrato reads -5 dB from the curve as it stands: it must start at 0 dB
                curve = pyrato.edc.schroeder_integration(pyfar.Signal(signal, RATE))
                compared += agreeing(ours, pyrato, curve)
    assert compared >= 4


def recorded_response():
    """The 16-bit room response at 48 kHz that pyrato's wheel brings with its tests.

    By its steps of 2^-15 and its noise a recording; where it was made is not said there.
    """
    library("pyrato")
    found = [path for path in metadata.files("pyrato") or () if path.name == "room_impulse_response_with_noise.csv"]
    if not found:
        pytest.skip("needs the recorded response of pyrato, of the extra `reference`")
    return np.loadtxt(str(found[0].locate())), 48000


def test_decay_of_a_recorded_response_agrees_with_another_library():
    """pyrato's noise-corrected, truncated curve (Chu, Lundeby) in five octaves: 2 % where ours are valid."""
    samples, rate = recorded_response()
    pyrato, pyfar = library("pyrato"), library("pyfar")
    compared = 0
    for centre in (250.0, 500.0, 1000.0, 2000.0, 4000.0):
        signal, ours = in_band(samples, rate, centre)
        with quiet():
            curve = pyrato.edc.energy_decay_curve_chu_lundeby(pyfar.Signal(signal, rate), freq=centre)
            compared += agreeing(ours, pyrato, curve)
    assert compared >= 8


def test_octaves_of_a_burst_have_the_decay_it_was_made_with():
    """White noise under exp(-6.9 t/T): every octave decays with T (definition)."""
    rng = np.random.default_rng(5)
    t = np.arange(2 * RATE) / RATE
    bursts = [rng.standard_normal(t.size) * np.exp(-3.0 * math.log(10.0) * t / 0.6) for _ in range(6)]
    found = room_sound.bands(bursts, RATE)
    assert [round(band.centre) for band in found] == [63, 126, 251, 501, 1000, 1995]
    for band in found[3:]:
        assert band.valid
        assert band.count >= 4
        assert band.t20 == pytest.approx(0.6, rel=IN_PRINCIPLE)
    assert room_sound.reverberation(found)[-1] == (found[-1].centre, found[-1].t20)


def test_noise_that_is_too_loud_makes_a_band_invalid_with_a_reason():
    """Noise 20 dB under the peak leaves no T20 (ISO 3382-2: 35 dB)."""
    rng = np.random.default_rng(5)
    t = np.arange(2 * RATE) / RATE
    noisy = rng.standard_normal(t.size) * (np.exp(-t / 0.05) + 0.1)
    assert not any(band.valid for band in room_sound.bands([noisy], RATE))
    assert all(band.reason for band in room_sound.bands([noisy], RATE))


def test_a_sweep_is_turned_into_the_response_it_was_played_through(response):
    """Deconvolving a sweep that went through the room gives the room's decay, 3 % in every octave above 200 Hz."""
    played = room_sound.sweep(40.0, 3600.0, 6.0, RATE)
    rng = np.random.default_rng(2)
    heard = np.concatenate([np.zeros(700), np.convolve(played, response), np.zeros(4000)])
    heard += 1e-4 * np.abs(heard).max() * rng.standard_normal(heard.size)
    found = room_sound.bands([room_sound.deconvolve(heard, played, RATE)], RATE)
    straight = room_sound.bands([response], RATE)
    assert len(found) == len(straight)
    for band, other in zip(found[2:], straight[2:], strict=True):
        ours, theirs = (figure.t20 or figure.t30 for figure in (band, other))
        assert ours == pytest.approx(theirs, rel=0.03)


@pytest.mark.parametrize("rate", [8000, 44100, 96000])
def test_a_response_starts_two_milliseconds_before_the_direct_sound_at_any_rate(rate):
    played = room_sound.sweep(50.0, 3500.0, 1.0, rate)
    heard = np.concatenate([np.zeros(rate // 10), played, np.zeros(rate // 2)])
    assert np.abs(room_sound.deconvolve(heard, played, rate)).argmax() == round(0.002 * rate)


def test_what_is_no_recording_of_the_sweep_is_refused():
    played = room_sound.sweep(40.0, 3600.0, 2.0, RATE)
    with pytest.raises(TakeError, match="shorter than the sweep"):
        room_sound.deconvolve(played[:1000], played, RATE)
    with pytest.raises(TakeError, match="does not hold the sweep"):
        room_sound.deconvolve(np.random.default_rng(1).standard_normal(4 * RATE), played, RATE)
    with pytest.raises(ValueError, match="half the rate"):
        room_sound.sweep(40.0, 4000.0, 2.0, RATE)


def test_claps_are_cut_apart():
    rng = np.random.default_rng(8)
    t = np.arange(RATE) / RATE
    clap = rng.standard_normal(t.size) * np.exp(-t / 0.06)
    gap = 1e-4 * rng.standard_normal(RATE // 2)
    parts = room_sound.bursts(np.concatenate([gap, clap, gap, 0.8 * clap, gap, 1.1 * clap]), RATE)
    assert len(parts) == 3
    assert all(abs(np.abs(part[: RATE // 20]).argmax()) < 0.02 * RATE for part in parts)
    with pytest.raises(TakeError, match="silent"):
        room_sound.bursts(np.zeros(RATE), RATE)


def test_claps_that_the_recordings_end_cuts_off_are_left_out():
    rng = np.random.default_rng(8)
    clap = rng.standard_normal(RATE) * np.exp(-np.arange(RATE) / RATE / 0.06)
    gap, start = 1e-4 * rng.standard_normal(RATE // 2), clap[: round(0.012 * RATE)]
    assert len(room_sound.bursts(np.concatenate([gap, clap, gap, start]), RATE)) == 1
    with pytest.raises(TakeError, match="ends right after the clap") as failure:
        room_sound.bursts(np.concatenate([gap, start]), RATE)
    assert failure.value.reason == "short"
    with pytest.raises(TakeError, match="record the room's ring") as failure:
        room_sound.bands([start[:40]], RATE)
    assert failure.value.reason == "short"


def test_grades_follow_the_number_of_places():
    """ISO 3382-2 Table 1 (from memory): survey 2, engineering 6, precision 12."""
    words = [room_sound.grade(count) for count in (1, 2, 6, 12)]
    for text, word in zip(words, ("one place", "survey", "engineering", "precision"), strict=True):
        assert word in text


def test_strongest_lines_are_the_rooms_modes(response):
    """The image-source response rings on the computed modes: strong lines lie within 2 % of one."""
    found = rooms.modes(STUDIO, 120.0)
    lines = room_sound.strongest_lines([response], RATE, found, 90.0)
    assert len(lines) >= 3
    assert sum(line.near > 0 for line in lines) >= len(lines) - 1
    assert all((line.near == 1) == (line.mode is not None) for line in lines)


def test_a_ring_is_told_to_be_the_drums_or_the_rooms():
    """A drum of two damped lines in a room by the image-source model, heard at 12 cm and at 4 m.

    The drum's lines (111 and 173 Hz) must be called the drum's, and at least one low mode of the hard room the room's.
    """
    acoustics = library("pyroomacoustics")
    box = acoustics.ShoeBox((5.0, 3.9, 2.6), fs=2000, materials=acoustics.Material(0.12), max_order=60)
    box.add_source((1.2, 1.0, 0.6))
    box.add_microphone((1.25, 1.05, 0.7))
    box.add_microphone((4.7, 3.6, 1.2))
    box.compute_rir()
    t = np.arange(4000) / 2000
    drum = np.exp(-t * 7.0) * np.sin(2 * np.pi * 111.0 * t) + 0.7 * np.exp(-t * 9.0) * np.sin(2 * np.pi * 173.0 * t)
    drum[:6] += 3.0 * np.hanning(6)
    near, far = (np.convolve(drum, box.rir[i][0]) for i in (0, 1))
    found = rooms.modes(Room((5.0, 3.9, 2.6), reverberation=((500.0, 1.0),)), 250.0)
    owned = room_sound.whose(near, far, 2000, found, 250.0)
    for frequency in (111.0, 173.0):
        nearest = min(owned, key=lambda line: abs(line.line.frequency - frequency))
        assert nearest.line.frequency == pytest.approx(frequency, abs=2.0)  # the room's own modes lie 1 Hz apart there
        assert nearest.owner == "drum"
    assert any(line.owner == "room" and line.line.mode is not None for line in owned)
    with pytest.raises(TakeError, match="direct sound is only"):
        room_sound.whose(far, far, 2000, found, 250.0)
