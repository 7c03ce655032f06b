"""What a hit says: figures kept but marked where the recording does not bear them, beats and their cause, sums."""

from dataclasses import replace

import numpy as np
import pytest

from drumtune.advice.damping import advise
from drumtune.advice.ring import _cause, band_summary, read_hits, spread_of, summary
from drumtune.drum import INCH, Head
from drumtune.errors import TakeError
from drumtune.physics import two_heads, whole_hit
from drumtune.physics.membrane import bessel_zero
from drumtune.physics.two_heads import TwoHeads

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


def test_a_pair_above_the_lowest_line_beats():
    (hit,) = read_hits(sound([*DRUM, (173.0, 0.8, 0.45)]), FS)
    (beat,) = hit.beats
    assert beat.rate_hz == pytest.approx(3.0, abs=0.05)
    assert beat.cause == "uneven head or two heads"
    assert beat.audible
    assert beat.depth_db == pytest.approx(20 * np.log10(0.95 / 0.05), rel=0.15)  # (0.5 + 0.45) over (0.5 - 0.45)


@pytest.mark.parametrize(("inches", "depth", "tension"), [(10, 7, 2000.0), (14, 14, 2500.0), (16, 16, 1800.0)])
def test_equal_heads_that_are_even_are_not_called_uneven(inches, depth, tension):
    """A drum of the model of two heads, both at one tension: its (1,1) beat, and nothing is uneven."""
    radius = 0.5 * inches * INCH
    drum = TwoHeads(Head.of_film(radius, 10.0), Head.of_film(radius, 10.0), depth * INCH)
    struck = whole_hit.sound(whole_hit.lines(drum, tension, tension, radius=0.45), int(2.5 * FS), FS)
    quiet = np.concatenate([np.zeros(FS // 3), 0.5 * struck / np.abs(struck).max()])
    (hit,) = read_hits(quiet + 1e-5 * np.random.default_rng(0).standard_normal(quiet.size), FS, radius=radius)
    parted = two_heads.pair(drum, tension, tension, 1).frequency
    (beat,) = [beat for beat in hit.beats if abs(beat.low_hz - parted[0]) < 1.0]
    assert beat.rate_hz == pytest.approx(parted[1] - parted[0], abs=0.1)
    assert "two heads" in beat.cause
    (line,) = [line for line in advise([hit]) if f"{beat.low_hz:.1f} and" in line]
    assert "Mute the other head" in line


@pytest.mark.parametrize(("inches", "depth"), [(10, 7), (12, 8), (14, 14), (16, 16), (14, 5.5), (22, 18)])
def test_near_lines_at_the_lowest_mode_are_not_the_drums(inches, depth):
    """Whatever the bottom head's tension, the enclosed air keeps the two (0,1) a major third apart."""
    radius = 0.5 * inches * INCH
    drum = TwoHeads(Head.of_film(radius, 10.0), Head.of_film(radius, 7.5), depth * INCH)
    both = two_heads.pair_frequencies(drum, 2000.0, np.geomspace(200.0, 12000.0, 200), 0)
    assert np.min(both[:, 1] / both[:, 0]) > 5.0 / 4.0
    (hit,) = read_hits(sound([*DRUM, (113.0, 0.9, 0.8)]), FS)
    assert [beat.cause for beat in hit.beats] == ["another sound"]


def test_near_lines_of_two_families_are_no_fault():
    """(0,2) and (3,1) of this head: 2.296 and 2.653 in vacuum, here put side by side."""
    zeros = {(m, n): bessel_zero(m, n) / bessel_zero(0, 1) for m, n in ((0, 1), (1, 1), (2, 1), (0, 2))}
    lines = [(110.0 * zero, 0.9, 1.0) for zero in zeros.values()]
    partials = read_hits(sound(lines), FS, radius=None)[0].partials
    named = tuple(replace(partial, mode=mode) for partial, mode in zip(partials, zeros, strict=True))
    assert _cause(named, (2, 3)) == "two families"
    assert _cause(named, (3, 3)) == "two heads"
    assert _cause(named, (1, 1)) == "uneven head or two heads"
    assert _cause(named, (0, 0)) == "another sound"


@pytest.mark.parametrize(("apart", "heard"), [(1.85, True), (1.5, False)])
def test_a_beat_is_heard_whose_first_null_comes_in_time(apart, heard):
    """T60 0.9 s: the first null lies 60 / (2 * 0.9 * apart) dB down, 18 and 22 dB here; 20 are heard."""
    (hit,) = read_hits(sound([(110.0, 0.9, 1.0), (170.0, 0.9, 0.5), (170.0 + apart, 0.9, 0.45)], 1.8, noise=1e-5), FS)
    assert [beat.audible for beat in hit.beats] == [heard]


@pytest.mark.parametrize(("noise", "heard"), [(0.004, True), (0.01, False)])
def test_a_beat_is_not_heard_that_falls_into_the_noise_before_its_first_null(noise, heard):
    """A pair 18 dB under the strongest line, its null 15 dB later: heard over a floor 37 dB down, not over 29."""
    (hit,) = read_hits(sound([(110.0, 0.9, 1.0), (170.0, 0.9, 0.12), (172.2, 0.9, 0.11)], 1.8, noise=noise), FS)
    assert hit.decay.floor_db == pytest.approx(20.0 * np.log10(noise / (0.4 / np.sqrt(2.0))), abs=0.5)
    assert [beat.audible for beat in hit.beats] == [heard]


def test_the_depth_of_a_beat_is_that_of_a_quarter_second():
    """Alike at the stroke; after 0.25 s down by 60 dB times 0.25 over each T60: 16.7 and 21.4 dB."""
    (hit,) = read_hits(sound([(110.0, 0.9, 1.0), (170.0, 0.9, 0.5), (173.0, 0.7, 0.5)], noise=1e-5), FS)
    (beat,) = hit.beats
    slow, fast = 10.0 ** (-3.0 * 0.25 / np.array([0.9, 0.7]))
    assert beat.depth_db == pytest.approx(20.0 * np.log10((slow + fast) / (slow - fast)), abs=0.05)


def test_decays_scatter_with_the_noise_as_much_as_is_said():
    """Errors over deviations, 3 lines in 12 noises: their rms is sure to 12 %, so three times that is allowed."""
    short = [(f, 0.4 * t, a) for f, t, a in DRUM]
    read = [read_hits(sound(short, 1.0, noise=3e-3, seed=seed), FS)[0].partials for seed in range(12)]
    z = [[(p.decay_s - true) / p.decay_sd_s for p, (_, true, _) in zip(hit, short, strict=True)] for hit in read]
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.36)


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
