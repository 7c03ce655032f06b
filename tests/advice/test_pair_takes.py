"""Three takes give back the coupling: takes from plain code that knows none of the package's models."""

import numpy as np
import pytest

from drumtune.advice.pair_lines import lines_of
from drumtune.advice.pair_names import name_lines
from drumtune.advice.pair_takes import fit, two_mass_fit
from drumtune.drum import INCH, Air, Head
from drumtune.errors import TakeError
from drumtune.physics import two_heads
from drumtune.physics.held_head import coupling, held_frequency
from drumtune.physics.two_heads import TwoHeads

RATE = 22050.0
DRUM = TwoHeads(Head.of_film(6 * INCH, 10.0), Head.of_film(6 * INCH, 7.5), 8 * INCH)
WITHIN = 0.03  # asked of the coupling at 40 dB


def take(rng, lines, decibel=40.0, hits=3):
    """Hits of damped sines (frequency, decay rate, amplitude) after a silence, noise `decibel` under the peak."""
    t = np.arange(int(1.1 * RATE)) / RATE
    parts = [np.zeros(int(0.25 * RATE))]
    for _ in range(hits):
        phase = rng.uniform(0.0, 0.6, len(lines))
        force = rng.uniform(0.7, 1.3, len(lines))
        parts.append(
            sum(
                f * a * np.exp(-g * t) * np.sin(2 * np.pi * hz * t + p)
                for (hz, g, a), f, p in zip(lines, force, phase, strict=True)
            )
        )
    sound = np.concatenate(parts)
    return sound + np.abs(sound).max() * 10 ** (-decibel / 20) * rng.standard_normal(sound.size)


def two_springs(f_top, f_bottom, k):
    """Coupled pair of two masses on springs, in plain algebra."""
    squares = np.linalg.eigvalsh(np.array([[f_top**2, -(k**2)], [-(k**2), f_bottom**2]]))
    return np.sqrt(squares)


def heard(takes):
    return [lines_of(sound, RATE, name) for sound, name in zip(takes, ("top", "bottom", "open"), strict=True)]


@pytest.mark.parametrize(
    ("seed", "f_top", "f_bottom", "k"),
    [(1, 170.0, 210.0, 120.0), (2, 227.0, 299.0, 181.0), (3, 140.0, 140.0, 100.0), (4, 120.0, 95.0, 45.0)],
)
def test_the_coupling_of_two_masses_comes_back(seed, f_top, f_bottom, k):
    rng = np.random.default_rng(seed)
    low, high = two_springs(f_top, f_bottom, k)
    takes = [
        take(rng, [(f_top, 9.0, 1.0), (1.37 * f_top, 6.0, 0.4)]),
        take(rng, [(f_bottom, 9.0, 1.0), (1.41 * f_bottom, 6.0, 0.4)]),
        take(rng, [(low, 5.0, 1.0), (high, 22.0, 0.7), (1.37 * f_top, 6.0, 0.3)]),
    ]
    found = fit(DRUM, name_lines(DRUM, *heard(takes)))
    assert found.coupling == pytest.approx(k, rel=WITHIN)
    assert found.residual_cents < 5.0
    assert abs(found.coupling - k) < 4.0 * found.coupling_sd


@pytest.mark.parametrize(("seed", "top", "bottom"), [(5, 1500.0, 1900.0), (6, 900.0, 2300.0)])
def test_a_drum_with_air_of_its_own_is_found_out(seed, top, bottom):
    real = TwoHeads(DRUM.top, DRUM.bottom, DRUM.depth, near=Air(1.204 * 1.1, 343.2 * 0.92))
    rng = np.random.default_rng(seed)
    lines = [
        [(float(held_frequency(real, t, m, head)), (9.0, 6.0, 7.0)[m], (1.0, 0.5, 0.3)[m]) for m in range(3)]
        for head, t in ((0, top), (1, bottom))
    ]
    both = []
    for m in range(2):
        modes = two_heads.pair(real, top, bottom, m)
        both += list(zip(modes.frequency, modes.decay_rate, ((1.0, 0.7), (0.5, 0.4))[m], strict=True))
    takes = [take(rng, row) for row in (*lines, both)]
    named = name_lines(DRUM, *heard(takes))
    found = fit(DRUM, named)
    # a soft head under stiff air mixes (0,1) with (0,2): no coupling fits all four lines, and the deviation says so
    allowed = max(WITHIN * found.coupling, 2.0 * found.coupling_sd if found.residual_cents > 20.0 else 0.0)
    assert found.coupling == pytest.approx(coupling(real, top, bottom), abs=allowed)
    assert found.top_tension == pytest.approx(top, rel=0.03)
    assert found.bottom_tension == pytest.approx(bottom, rel=0.03)
    assert found.spring == pytest.approx(1.1 * 0.92**2, rel=0.1)
    assert found.model_cents < 10.0
    assert found.loss_ratio == pytest.approx(1.0, rel=0.1)


def takes_of(rng, real, top, bottom, make):
    """Lines of a drum's three takes, each handed to `make`: (0,1), (1,1), (2,1), the struck middle foremost."""
    rows = [
        [(float(held_frequency(real, t, m, head)), (10.0, 6.0, 7.0)[m], (1.0, 0.5, 0.3)[m]) for m in range(3)]
        for head, t in ((0, top), (1, bottom))
    ]
    both = []
    for m in range(3):
        modes = two_heads.pair(real, top, bottom, m)
        both += list(zip(modes.frequency, modes.decay_rate, ((1.0, 0.7), (0.5, 0.4), (0.3, 0.2))[m], strict=True))
    return [make(rng, row) for row in (*rows, both)]


OWN_AIR = TwoHeads(DRUM.top, DRUM.bottom, DRUM.depth, near=Air(1.204 * 1.1, 343.2 * 0.92))


def test_a_fast_upper_line_is_found_at_a_second_look():
    rng, top, bottom = np.random.default_rng(1), 1719.0, 2421.0
    upper = two_heads.pair(OWN_AIR, top, bottom)
    assert upper.decay_time[1] < 0.2  # gone within a few cycles of the lines beside it
    found = fit(DRUM, name_lines(DRUM, *heard(takes_of(rng, OWN_AIR, top, bottom, take))))
    assert found.coupling == pytest.approx(coupling(OWN_AIR, top, bottom), rel=WITHIN)
    assert found.lines[3].line.frequency == pytest.approx(upper.frequency[1], rel=0.01)


def in_a_room(rng, lines):
    """Six hits of unlike strength that glide by up to 30 cents, in a room half as loud as the drum (0.4 s)."""
    t = np.arange(int(1.1 * RATE)) / RATE
    parts = [np.zeros(int(0.25 * RATE))]
    for force in rng.uniform(0.5, 1.0, 6):
        bent = t + (2 ** (30.0 * force / 1200) - 1) * 0.07 * (1 - np.exp(-t / 0.07))
        start = rng.uniform(0.0, 0.5, len(lines))
        hit = sum(
            a * np.exp(-g * t) * np.sin(2 * np.pi * hz * bent + p) for (hz, g, a), p in zip(lines, start, strict=True)
        )
        parts.append(force * hit)
    echo = rng.standard_normal(int(0.4 * RATE)) * np.exp(-6.9 * np.arange(int(0.4 * RATE)) / (0.4 * RATE))
    echo *= 0.5 / np.sqrt(np.sum(echo**2))
    echo[0] = 1.0
    dry = np.concatenate(parts)
    wet = np.convolve(dry, echo)[: dry.size]
    return wet + 0.01 * np.abs(wet).max() * rng.standard_normal(wet.size)


def test_takes_in_a_room_with_glide_still_give_the_coupling():
    rng, top, bottom = np.random.default_rng(2), 1600.0, 2300.0
    found = fit(DRUM, name_lines(DRUM, *heard(takes_of(rng, OWN_AIR, top, bottom, in_a_room))))
    assert found.coupling == pytest.approx(coupling(OWN_AIR, top, bottom), rel=0.04)
    assert found.top_tension == pytest.approx(top, rel=0.06)  # hits glide upward: the start is sharp by up to 30 cents


def test_noise_in_the_lines_is_what_the_stated_deviation_says():
    # Monte Carlo over noise alone: z-scores of the coupling; one drum, four lines drawn with the stated deviations
    rng = np.random.default_rng(8)
    low, high = two_springs(170.0, 210.0, 120.0)
    base = name_lines(
        DRUM,
        *heard(
            [take(rng, [(f, 9.0, 1.0)]) for f in (170.0, 210.0)] + [take(rng, [(low, 5.0, 1.0), (high, 22.0, 0.7)])]
        ),
    )
    true = np.array([170.0, 210.0, low, high])
    sd = true * (2 ** (2.0 / 1200.0) - 1.0)  # two cents
    scores = []
    for _ in range(60):
        drawn = true + sd * rng.standard_normal(4)
        lines = tuple(
            type(n)(n.take, n.m, n.place, float(f), 1e-3, n.decay_rate) for n, f in zip(base, drawn, strict=True)
        )
        k, deviation, _ = two_mass_fit(lines)
        scores.append((k - 120.0) / deviation)
    assert 0.5 < np.sqrt(np.mean(np.square(scores))) < 1.4


def test_differences_of_model_and_drum_are_told_line_by_line():
    rng = np.random.default_rng(9)
    low, high = two_springs(170.0, 210.0, 120.0)
    takes = [
        take(rng, [(170.0, 9.0, 1.0)]),
        take(rng, [(210.0, 9.0, 1.0)]),
        take(rng, [(low, 5.0, 1.0), (high, 22.0, 0.7)]),
    ]
    found = fit(DRUM, name_lines(DRUM, *heard(takes)))
    assert [line.line.take for line in found.lines] == ["top", "bottom", "open", "open"]
    for line in found.lines:
        assert line.cents == pytest.approx(1200 * np.log2(line.line.frequency / line.model_hz))


def test_an_open_take_without_a_pair_is_refused():
    rng = np.random.default_rng(10)
    takes = [take(rng, [(170.0, 9.0, 1.0)]), take(rng, [(210.0, 9.0, 1.0)]), take(rng, [(190.0, 5.0, 1.0)])]
    with pytest.raises(TakeError, match=r"no \(0,1\) pair") as failure:
        name_lines(DRUM, *heard(takes))
    assert failure.value.reason == "lines"


def test_a_take_cut_at_its_hit_is_used_from_there():
    sound = take(np.random.default_rng(12), [(170.0, 9.0, 1.0)], hits=2)[int(0.25 * RATE) :]
    assert lines_of(sound, RATE, "top").frequency == pytest.approx([170.0], abs=0.1)


def test_noise_alone_is_refused():
    with pytest.raises(TakeError):
        lines_of(np.random.default_rng(11).standard_normal(int(2 * RATE)), RATE, "top")


def test_a_click_rings_too_short():
    click = np.zeros(int(0.3 * RATE))
    click[-200:] = 1.0
    with pytest.raises(TakeError, match="rings"):
        lines_of(click, RATE, "bottom")
