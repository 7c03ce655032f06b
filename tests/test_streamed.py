"""A long recording read block by block gives what it gives in memory, and is refused with the same words."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose

from drumtune import streamed
from drumtune.audio import read_take
from drumtune.dsp.by_rod import taps_by_rod
from drumtune.errors import AudioError, TakeError
from drumtune.source import describe_take

DATA = Path(__file__).parent / "data" / "taps"
TAKE = DATA / "take01.flac"
TRUTH = next(t for t in json.loads((DATA / "truth.json").read_text(encoding="utf-8")) if t["file"] == TAKE.name)
RODS, EACH = TRUTH["rods"], TRUTH["taps_per_rod"]


@pytest.fixture(scope="module")
def rate():
    return soundfile.info(TAKE).samplerate


@pytest.fixture(scope="module")
def long_one(tmp_path_factory, rate):
    """The take in the middle of three and a half minutes of faint noise, which is long enough to be streamed."""
    take, _ = soundfile.read(TAKE)
    sound = 1e-4 * np.random.default_rng(3).standard_normal(210 * rate)
    sound[100 * rate : 100 * rate + take.size] += take
    path = tmp_path_factory.mktemp("long") / "long.wav"
    soundfile.write(path, sound, rate, subtype="PCM_24")
    return path


def streaming(paths, rods=RODS, per_rod=EACH):
    return streamed.listen(describe_take(paths, None, streamed.LONGEST), rods, per_rod)


def onsets(groups):
    return np.array([tap.onset for taps in groups for tap in taps])


def peaks(groups):
    return [tap.peak for taps in groups for tap in taps]


@pytest.mark.parametrize("per_rod", [EACH, None])
def test_taps_are_those_of_the_whole_in_memory(long_one, per_rod):
    take, groups, _ = streaming([long_one], per_rod=per_rod)
    whole = read_take([long_one])
    known, _ = taps_by_rod(whole.samples, whole.sample_rate, RODS, per_rod)
    shift = onsets(known) - onsets(groups)
    assert_allclose(shift, shift[0], atol=1e-6)  # they stand closer than what is kept between, so all move alike
    assert_allclose(peaks(groups), peaks(known), rtol=1e-5)
    assert [len(taps) for taps in groups] == [EACH] * RODS
    assert take.duration == whole.duration == 210.0


def test_the_sound_kept_is_that_round_the_taps(long_one, rate):
    take, groups, _ = streaming([long_one])
    whole = read_take([long_one]).samples
    first = onsets(groups)[0]
    assert first == pytest.approx(streamed.BEFORE, abs=0.1)
    there = round((100.0 + TRUTH["marks_s"][0] - first) * rate)
    near = whole[there - 50 : there + take.samples.size + 50]
    assert any(np.array_equal(near[k : k + take.samples.size], take.samples) for k in range(101))
    assert take.samples.size < 0.15 * whole.size


def test_pauses_are_left_out_and_taps_stay_in_their_place(tmp_path, rate):
    """One tap, a minute of nothing, and the next: each keeps its second and a half of ring."""
    take, _ = soundfile.read(TAKE)
    marks = np.array(TRUTH["marks_s"])
    sound = 1e-5 * np.random.default_rng(1).standard_normal(200 * rate)
    ring = take[round((marks[0] - 0.1) * rate) : round((marks[1] - 0.05) * rate)]
    starts = np.array([2, 65, 66, 190]) * rate
    for start in starts:
        sound[start : start + ring.size] += ring
    soundfile.write(tmp_path / "a.wav", sound, rate, subtype="PCM_24")
    kept, groups, _ = streaming([tmp_path / "a.wav"], 2, 2)
    assert kept.samples.size / rate == pytest.approx(3 * (streamed.BEFORE + streamed.AFTER) + 1.0, abs=0.05)
    length = round(0.5 * rate)
    heard = [kept.samples[round(t * rate) : round(t * rate) + length] for t in onsets(groups)]
    for one in heard[1:]:
        assert np.corrcoef(heard[0], one)[0, 1] > 0.99
    assert [len(taps) for taps in groups] == [2, 2]


def test_a_file_for_each_rod_is_read_as_in_memory(tmp_path, rate):
    take, _ = soundfile.read(TAKE)
    marks = np.array(TRUTH["marks_s"]).reshape(RODS, EACH)
    cuts = [0, *(int(rate * (start - 0.1)) for start in marks[1:, 0]), take.size]
    for rod, (start, stop) in enumerate(pairwise(cuts), start=1):
        soundfile.write(tmp_path / f"rod {rod}.wav", take[start:stop], rate, subtype="PCM_24")
    kept, groups, _ = streaming([tmp_path])
    whole = read_take([tmp_path])
    known, _ = taps_by_rod(whole.samples, rate, RODS, EACH, whole.parts)
    assert kept.parts == whole.parts
    assert_allclose(peaks(groups), peaks(known), rtol=1e-5)
    with pytest.raises(TakeError, match=f"recording of rod 1: found {EACH} taps"):
        streaming([tmp_path], per_rod=EACH + 1)


@pytest.mark.parametrize(
    ("spoil", "failure", "says"),
    [
        (lambda sound: sound * 0.0, AudioError, "silent"),
        (lambda sound: np.where(np.arange(sound.size) == 70_000, np.nan, sound), AudioError, "1 of .*NaN"),
        (lambda sound: sound[:100], AudioError, "ms long"),
        (lambda sound: 1e-3 * np.random.default_rng(0).standard_normal(sound.size), TakeError, "no tap stands out"),
        (lambda sound: np.clip(40.0 * sound, -1.0, 1.0), TakeError, "clipped"),
        (lambda sound: sound[: sound.size // 2], TakeError, "found [0-9]+ taps at"),
    ],
)
def test_what_does_not_do_is_refused(tmp_path, rate, spoil, failure, says):
    soundfile.write(tmp_path / "a.wav", spoil(soundfile.read(TAKE)[0]), rate, subtype="FLOAT")
    with pytest.raises(failure, match=says):
        streaming([tmp_path / "a.wav"])


def test_far_too_many_taps_are_refused_before_they_are_kept(long_one, monkeypatch):
    monkeypatch.setattr(streamed, "MOST_TAPS", 5)
    monkeypatch.setattr(streamed, "_cut", None)  # would fail if it were called
    with pytest.raises(TakeError, match=f"asked for {RODS} rods x 2 taps"):
        streaming([long_one], per_rod=2)
    with pytest.raises(TakeError, match="no round of taps"):
        streaming([long_one], per_rod=None)


def test_progress_runs_to_the_end(long_one):
    told = []
    streamed.listen(describe_take([long_one], None, streamed.LONGEST), RODS, EACH, told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)
