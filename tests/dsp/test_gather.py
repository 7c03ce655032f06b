"""Candidates are found piece by piece as they are in the whole, in memory that does not grow with the recording."""

import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.dsp import gather as gathering
from drumtune.dsp.gather import Gatherer, gather
from drumtune.dsp.taps import find_taps

DATA = Path(__file__).resolve().parents[1] / "data" / "taps"
TRUTH = json.loads((DATA / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=["take01.flac", "take08.flac"])
def take(request):
    """A take of a finite-element drum: samples, rate, number of taps."""
    samples, rate = soundfile.read(DATA / request.param)
    truth = next(t for t in TRUTH if t["file"] == request.param)
    return samples, float(rate), truth["rods"] * truth["taps_per_rod"]


@pytest.mark.parametrize("piece", [2.0, 5.3])
def test_short_pieces_give_the_taps_of_the_whole(take, monkeypatch, piece):
    samples, rate, count = take
    whole = find_taps(samples, rate)
    monkeypatch.setattr(gathering, "PIECE", piece)
    parts = find_taps(samples, rate)
    assert [tap.onset for tap in parts.taps] == pytest.approx([tap.onset for tap in whole.taps], abs=1e-9)
    assert [tap.fault for tap in parts.taps] == [tap.fault for tap in whole.taps]
    assert len(parts.taps) == count


@pytest.mark.parametrize("size", [997, 65536, 400_000])
def test_the_size_of_blocks_does_not_matter(take, monkeypatch, size):
    samples, rate, _ = take
    monkeypatch.setattr(gathering, "PIECE", 4.0)
    whole = gather(samples, rate)
    gatherer = Gatherer(rate)
    for start in range(0, samples.size, size):
        gatherer.feed(samples[start : start + size])
    found = gatherer.finish()
    np.testing.assert_array_equal(found.coarse, whole.coarse)
    np.testing.assert_array_equal(found.seen.lines, whole.seen.lines)


def test_hum_that_drifts_over_minutes_is_taken_out_of_each_piece(take, monkeypatch):
    samples, rate, count = take
    time = np.arange(samples.size) / rate
    phase = 2.0 * np.pi * (50.0 * time + 0.01 * time**2)  # a fifth of a hertz each ten seconds
    rms = np.sqrt(np.mean(samples**2))
    spoilt = samples + rms * (np.cos(phase) + 0.3 * np.cos(3.0 * phase))
    monkeypatch.setattr(gathering, "PIECE", 3.0)
    assert len(find_taps(spoilt, rate, count).taps) == count


def test_memory_does_not_grow_with_the_recording(take, monkeypatch):
    samples, rate, count = take
    monkeypatch.setattr(gathering, "PIECE", 4.0)

    def peak(times):
        gatherer = Gatherer(rate)
        tracemalloc.start()
        for _ in range(times):
            for start in range(0, samples.size, 65536):
                gatherer.feed(samples[start : start + 65536])
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert gatherer.finish().coarse.size >= times * count
        return most

    one = peak(1)
    assert peak(6) < 1.3 * one, "samples kept would make it six times"
