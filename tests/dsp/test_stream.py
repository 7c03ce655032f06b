"""The stream against the whole recording: takes of an independent simulator (tests/data/taps) and recorded hits."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from taps_material import MISSING, SAMPLES, hit_level, noise, scene

from drumtune.dsp.stream import MEMORY, MOST, Stream
from drumtune.dsp.taps import find_taps

TAKES = Path(__file__).parents[1] / "data" / "taps"
SAME = 1e-9
"""Onsets differ by the rounding of times of some 30 s in double precision, s."""
PEAKS = 1e-3
"""A rounded onset on the other side of half a sample moves the quiet before it by a sample."""


@pytest.fixture(scope="module")
def piece():
    """Nine seconds of a take with the other head ringing: seven taps."""
    samples, rate = soundfile.read(TAKES / "take13.flac", frames=9 * 44100)
    return samples, float(rate)


def cut_at(samples, rate, places):
    stream, events = Stream(rate), []
    for part in np.split(samples, places):
        events += stream.feed(part)
    return stream, (*events, *stream.finish())


def assert_same_taps(found, whole):
    assert [tap.fault for tap in found] == [tap.fault for tap in whole]
    assert np.allclose([tap.onset for tap in found], [tap.onset for tap in whole], rtol=0, atol=SAME)
    assert np.allclose([tap.peak for tap in found], [tap.peak for tap in whole], rtol=PEAKS)


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, 9 * 44100), max_size=60))
def test_any_way_of_cutting_gives_the_taps_of_the_whole(piece, cuts):
    samples, rate = piece
    stream, events = cut_at(samples, rate, np.sort(cuts))
    whole = find_taps(samples, rate)
    assert_same_taps(stream.search().taps, whole.taps)
    assert_same_taps([event.tap for event in events if event.tap], whole.taps)


def test_blocks_of_one_sample_and_of_everything_give_the_very_same_events(piece):
    samples, rate = piece[0][: 3 * 44100], piece[1]
    assert cut_at(samples, rate, np.arange(1, samples.size))[1] == cut_at(samples, rate, [])[1]


@pytest.mark.parametrize("name", ["take01", "take04", "take08"])
@pytest.mark.parametrize("expected", [None, 18])
def test_a_take_as_a_stream_has_the_taps_of_the_file(name, expected):
    samples, rate = soundfile.read(TAKES / f"{name}.flac")
    stream, _ = cut_at(samples, float(rate), np.arange(1024, samples.size, 1024))
    assert_same_taps(stream.search(expected).taps, find_taps(samples, float(rate), expected).taps)


@pytest.mark.skipif(not SAMPLES.is_dir(), reason=MISSING)
@pytest.mark.parametrize(("drum", "seed"), [("middle tom", 3), ("tabla tun", 5)])
def test_recorded_hits_among_strays_and_noise_are_judged_as_in_the_whole(drum, seed):
    made = scene(drum, seed, count=10, strays=3)
    samples = made.samples + noise(made, 45.0, seed)
    stream, events = cut_at(samples, made.rate, np.arange(777, samples.size, 777))
    whole = find_taps(samples, made.rate)
    assert_same_taps(stream.search().taps, whole.taps)
    assert [sound.reason for sound in stream.search().rejected] == [sound.reason for sound in whole.rejected]
    assert len(events) == len(whole.taps) + len(whole.rejected)
    assert hit_level(made) > 0


def test_every_stroke_is_told_within_a_step_of_its_half_second(piece):
    samples, rate = piece
    stream = Stream(rate)
    late = []
    for block in np.split(samples, np.arange(441, samples.size, 441)):
        late += [stream.time - event.tap.onset - 0.5 for event in stream.feed(block) if event.tap]
    assert len(late) == len(find_taps(samples, rate).taps)
    assert max(late) < 0.05  # a step of 22 ms at 44.1 kHz, a block of 10 ms, 4 ms from coarse to fine onset


def test_lost_samples_put_in_as_zeros_make_the_tap_torn(piece):
    samples, rate = piece[0].copy(), piece[1]
    struck = find_taps(samples, rate).taps[2].onset
    samples[round((struck + 0.1) * rate) :][:441] = 0.0
    taps = cut_at(samples, rate, [])[0].search().taps
    assert [tap.fault for tap in taps if abs(tap.onset - struck) < 0.01] == ["torn"]


def test_memory_does_not_grow_with_the_length_of_the_stream():
    rng = np.random.default_rng(4)
    rate = 8000.0
    stream = Stream(rate)
    ring = np.exp(-np.arange(4000) / 1200.0) * np.sin(2 * np.pi * 200.0 * np.arange(4000) / rate)
    for _ in range(MOST + 60):
        stream.feed(np.concatenate((0.3 * ring, np.zeros(2000))) + 1e-4 * rng.standard_normal(6000))
    assert len(stream._candidates) <= MOST + 4
    assert stream._sound._data.size <= 2 * (MEMORY + 0.1) * rate
    assert stream._frames._score.size < 6000
    first, samples = stream.recent(0.0, stream.time)
    assert samples.size <= (MEMORY + 0.1) * rate
    assert first > stream.time - MEMORY - 0.2


@pytest.mark.parametrize("block", [np.zeros((4, 2)), np.array([0.0, np.nan]), np.array([np.inf])])
def test_what_is_not_one_finite_channel_is_refused_and_leaves_the_stream_alone(block):
    stream = Stream(48000.0)
    with pytest.raises(ValueError, match="one channel of finite samples"):
        stream.feed(block)
    assert stream.time == 0.0


def test_rates_that_no_microphone_has_are_refused():
    with pytest.raises(ValueError, match="8 to 192 kHz"):
        Stream(1000.0)
