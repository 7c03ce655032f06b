"""A whole take that was never played: taps round a described head, or after moves, as `drumtune synth` writes it.

It lets anyone try the tool on a drum whose truth is known. It shares the head's physics with the reading, so a good
result on it proves nothing about the method; docs/accuracy.md rests on recordings that other code made.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Drum
from drumtune.physics import air, synthesis
from drumtune.physics.rods import rod_response

Samples = NDArray[np.float64]
Heard = tuple[synthesis.SoundingHead, NDArray[np.complex128]]
"""A head, and what the microphone hears of its modes."""
Stroke = tuple[Heard, tuple[float, float]]
"""A head so heard, and where it is tapped: (r as share of the radius, theta)."""
RING = 2.5
"""Seconds a tap is followed for; later taps sound on top of it."""
LEAD_IN = 0.5
"""Silence (noise only) before the first tap, s."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to play and how, in SI units.

    Parameters
    ----------
    drum
        The stand.
    pulls_cents
        One pull per rod, clockwise from rod 1, cents; only differences count.
    frequency
        Hz at which the (1,1) pair of the even head would sound.
    taps_per_rod
        Taps at each rod.
    slide
        How the rim holds the film along itself, 0 held ... 1 sliding.
    microphone
        (x, y, height) in m from the head's centre, x towards rod 1, y a quarter turn clockwise from it.
    gap, pause
        Seconds between taps at one rod, and extra seconds before the next rod.
    scatter
        Standard deviation of where taps fall, m, both ways.
    snr_db
        Level of the strongest tap's first 50 ms over the noise, dB.
    seed
        Everything random comes from it.
    """

    drum: Drum
    pulls_cents: tuple[float, ...]
    frequency: float
    taps_per_rod: int = 3
    slide: float = 0.5
    microphone: tuple[float, float, float] = (0.11, 0.07, 0.16)
    gap: float = 1.0
    pause: float = 0.5
    scatter: float = 0.004
    snr_db: float = 50.0
    seed: int = 1


def play(recipe: Recipe, rate: int, *, peak: float = 0.5) -> Samples:
    """Samples of the take, shape (n,), at `rate` Hz, the loudest at `peak` of full scale.

    Raises
    ------
    ValueError
        If the recipe has no taps, or not one pull per rod.
    """
    if recipe.taps_per_rod < 1:
        raise ValueError(f"a rod needs a tap at least, got {recipe.taps_per_rod}")
    rng = np.random.default_rng(recipe.seed)
    heard = _sounding(recipe, np.array(recipe.pulls_cents), 0.0)
    starts = _starts(recipe, rng, rate, recipe.drum.rods)
    strokes = [(heard, place) for place in _places(recipe, rng)]
    return _played(recipe, rng, rate, starts, strokes, peak)


def play_moves(recipe: Recipe, turns: Sequence[NDArray[np.float64]], rate: int, *, peak: float = 0.5) -> Samples:
    """Samples of taps at each rod just turned: `play_after` of what moves make of the head.

    `turns` are the signed turns of each move, shape (rods,) each; a turn does what the drum's sizes say.
    """
    tension = float(air.tension(recipe.drum.head, recipe.frequency, 1, 1))
    effects = [rod_response(recipe.drum, tension).effect(turn) for turn in turns]
    cents = np.array(recipe.pulls_cents) + np.cumsum([np.zeros(recipe.drum.rods), *effects], axis=0)
    return play_after(recipe, cents, [int(np.abs(turn).argmax()) for turn in turns], rate, peak=peak)


def play_after(
    recipe: Recipe, cents: NDArray[np.float64], rods: Sequence[int], rate: int, *, peak: float = 0.5
) -> Samples:
    """Samples of taps on a head that changes, `taps_per_rod` of the recipe after each move.

    Parameters
    ----------
    recipe
        The head before the first move; its pulls are not used.
    cents
        Pitch at the rods before the first move and after each, shape (moves + 1, rods).
    rods
        Where the taps after each move are, from 0.

    Raises
    ------
    ValueError
        If the recipe has no taps, or there are not as many rods as moves.
    """
    if recipe.taps_per_rod < 1 or len(rods) != len(cents) - 1:
        raise ValueError(f"{recipe.taps_per_rod} taps after each of {len(cents) - 1} moves, at {len(rods)} rods")
    rng = np.random.default_rng(recipe.seed)
    sd, mark = recipe.scatter / recipe.drum.head.radius, recipe.drum.tap_radius
    strokes: list[Stroke] = []
    for state, rod in zip(cents[1:], rods, strict=True):
        heard = _sounding(recipe, state, float(state.mean() - cents[0].mean()))
        for r, theta in sd * rng.standard_normal((recipe.taps_per_rod, 2)):
            place = (float(np.clip(mark + r, 0.05, 0.98)), float(recipe.drum.rod_angles[rod] + theta / mark))
            strokes.append((heard, place))
    return _played(recipe, rng, rate, _starts(recipe, rng, rate, len(rods)), strokes, peak)


def _sounding(recipe: Recipe, pulls: NDArray[np.float64], raised: float) -> Heard:
    """The head with these pulls, its tension as a whole raised by so many cents of pitch."""
    even = float(air.tension(recipe.drum.head, recipe.frequency, 1, 1)) * 2.0 ** (raised / 600.0)
    head = synthesis.sounding_head(recipe.drum, pulls, even, slide=recipe.slide)
    return head, synthesis.gains(head, recipe.drum.head.radius, recipe.microphone)


def _played(
    recipe: Recipe, rng: np.random.Generator, rate: int, starts: list[int], strokes: list[Stroke], peak: float
) -> Samples:
    """Sound of strokes, each on its head, at its place, from its sample on; with noise under it."""
    ring = math.ceil(RING * rate)
    sound = np.zeros(starts[-1] + ring)
    loudest = 0.0
    for start, ((head, heard), place) in zip(starts, strokes, strict=True):
        level = 10.0 ** (rng.normal(0.0, 2.0) / 20.0)
        one = level * synthesis.tap(head, heard, place, ring, rate)
        loudest = max(loudest, float(np.sqrt(np.mean(one[: round(0.05 * rate)] ** 2))))
        sound[start : start + ring] += one
    sound += loudest * 10.0 ** (-recipe.snr_db / 20.0) * _noise(rng, sound.size)
    result: Samples = sound * (peak / np.abs(sound).max())
    return result


def _starts(recipe: Recipe, rng: np.random.Generator, rate: int, stops: int) -> list[int]:
    """Sample at which each tap begins, rod after rod or stop after stop."""
    now, starts = LEAD_IN, []
    for _ in range(stops):
        for _ in range(recipe.taps_per_rod):
            starts.append(round(now * rate))
            now += recipe.gap * rng.uniform(0.9, 1.1)
        now += recipe.pause
    return starts


def _places(recipe: Recipe, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Where each tap falls: (r as share of the radius, theta), rod after rod."""
    drum = recipe.drum
    sd = recipe.scatter / drum.head.radius
    return [
        (
            float(np.clip(rng.normal(drum.tap_radius, sd), 0.05, 0.98)),
            float(rng.normal(angle, sd / drum.tap_radius)),
        )
        for angle in drum.rod_angles
        for _ in range(recipe.taps_per_rod)
    ]


def _noise(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Noise of unit rms whose power falls as 1/f down to a few Hz, as rooms' does."""
    spectrum = np.fft.rfft(rng.standard_normal(1 << (count - 1).bit_length()))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 100))
    noise = np.fft.irfft(spectrum)[:count]
    result: NDArray[np.float64] = noise / np.sqrt(np.mean(noise**2))
    return result
