"""What a hit says: figures kept but marked where the recording does not bear them, beats and their cause, sums."""

import numpy as np
import pytest

from drumtune.advice.ring import band_summary, read_hits, spread_of, summary
from drumtune.errors import TakeError

FS = 44100


def sound(lines, duration=1.5, lead=0.3, noise=1e-4, seed=0):
    """Damped cosines (frequency, T60, size) after some quiet."""
    times = np.arange(int(duration * FS)) / FS
    made = sum(
        a * 10 ** (-3 * times / t) * np.cos(2 * np.pi * f * times + 0.7 * k) for k, (f, t, a) in enumerate(lines)
    )
    return np.concatenate([np.zeros(int(lead * FS)), 0.4 * made]) + noise * np.random.default_rng(seed).standard_normal(
        int(lead * FS) + times.size
    )


DRUM = [(110.0, 0.9, 1.0), (170.0, 0.8, 0.5), (224.0, 0.7, 0.4)]


def test_a_plain_hit_is_read():
    (hit,) = read_hits(sound(DRUM), FS)
    assert hit.start_s == pytest.approx(0.3, abs=0.002)
    assert hit.settled_hz == pytest.approx(110.0, rel=5e-4)
    assert hit.note[0] == "A2"  # 110.0 Hz with A4 = 440 Hz (ISO 16)
    assert hit.figures.t20.valid
    assert hit.faults == ()
    assert [p.decay_s for p in hit.partials] == pytest.approx([0.9, 0.8, 0.7], rel=0.02)


def test_several_hits_have_a_median_and_a_spread():
    take = np.concatenate(
        [sound(DRUM, seed=1), 0.5 * sound([(f * 1.01, t, a) for f, t, a in DRUM], seed=2), sound(DRUM)]
    )
    hits = read_hits(take, FS)
    assert len(hits) == 3
    told = summary(hits)["settled_hz"]
    assert told.hits == 3
    assert told.median == pytest.approx(110.0, rel=1e-3)
    assert told.spread == pytest.approx(1.1, rel=0.05)


def test_a_clipped_hit_keeps_its_figures_but_marks_them():
    (hit,) = read_hits(np.clip(sound(DRUM), -0.2, 0.2), FS)
    assert hit.figures.t20.value is not None
    assert not any(figure.valid for figure in (hit.figures.edt, hit.figures.t20, hit.figures.t30))
    assert "clipped" in hit.figures.t20.reason
    assert any("clipped" in fault for fault in hit.faults)


def test_a_noisy_hit_says_which_range_it_lacks():
    (hit,) = read_hits(sound(DRUM, noise=0.02), FS)
    assert not hit.figures.t30.valid
    assert "noise" in hit.figures.t30.reason


def test_a_hit_cut_short_says_so():
    (hit,) = read_hits(sound(DRUM, duration=0.3), FS)
    assert not hit.figures.t30.valid
    assert any("still rings" in fault for fault in hit.faults)


def test_a_pair_above_the_lowest_line_is_an_uneven_head():
    (hit,) = read_hits(sound([*DRUM, (173.0, 0.8, 0.45)]), FS)
    (beat,) = hit.beats
    assert beat.rate_hz == pytest.approx(3.0, abs=0.05)
    assert beat.cause == "uneven head"
    assert beat.audible
    assert beat.depth_db == pytest.approx(20 * np.log10(0.95 / 0.05), rel=0.15)  # (0.5 + 0.45) over (0.5 - 0.45)


def test_a_pair_of_lowest_lines_needs_two_heads():
    """(0,1) has no second line of its own."""
    (hit,) = read_hits(sound([*DRUM, (113.0, 0.9, 0.8)]), FS)
    assert [beat.cause for beat in hit.beats] == ["two heads"]


def test_a_slow_beat_of_a_short_sound_is_not_heard():
    """0.9 Hz with T60 0.9 s: the first null lies 60 / (2 0.9 0.9) = 37 dB down, past the 30 dB that are heard."""
    (hit,) = read_hits(sound([(110.0, 0.9, 1.0), (170.0, 0.9, 0.5), (170.9, 0.9, 0.45)], 1.8, noise=1e-5), FS)
    assert not any(beat.audible for beat in hit.beats)


def test_bands_are_summed_over_hits():
    bands = band_summary(read_hits(sound(DRUM), FS))
    assert [round(band.centre_hz, 1) for band in bands][:3] == [63.1, 125.9, 251.2]
    assert all(band.reason for band in bands if not band.valid)
    by_centre = {round(band.centre_hz): band for band in bands}
    assert by_centre[126].t20_s == pytest.approx(0.9, rel=0.05)  # 110 Hz stands alone in it


@pytest.mark.parametrize(("samples", "reason"), [
    (np.zeros(FS), "silence"),
    (0.1 * np.random.default_rng(0).standard_normal(FS), "noise"),
    (sound(DRUM, duration=0.08), "short"),
])  # fmt: skip
def test_what_cannot_be_read_is_refused_with_a_reason(samples, reason):
    with pytest.raises(TakeError) as told:
        read_hits(samples, FS)
    assert told.value.reason == reason


def test_the_spread_of_nothing_is_nothing():
    assert spread_of([None, None]) is None
    assert spread_of([2.0, None, 3.0, 7.0]).median == 3.0
