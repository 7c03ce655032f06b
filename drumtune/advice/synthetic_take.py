"""A whole take that was never played: taps round a described head, as `drumtune synth` writes it.

It lets anyone try the tool on a drum whose truth is known. It shares the head's physics with the reading, so a good
result on it proves nothing about the method; docs/accuracy.md rests on recordings that other code made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Drum
from drumtune.physics import air, synthesis

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


def play(recipe: Recipe, rate: int, *, peak: float = 0.5) -> NDArray[np.float64]:
    """Samples of the take, shape (n,), at `rate` Hz, the loudest at `peak` of full scale.

    Raises
    ------
    ValueError
        If the recipe has no taps, or not one pull per rod.
    """
    if recipe.taps_per_rod < 1:
        raise ValueError(f"a rod needs a tap at least, got {recipe.taps_per_rod}")
    rng = np.random.default_rng(recipe.seed)
    tension = float(air.tension(recipe.drum.head, recipe.frequency, 1, 1))
    head = synthesis.sounding_head(recipe.drum, recipe.pulls_cents, tension, slide=recipe.slide)
    heard = synthesis.gains(head, recipe.drum.head.radius, recipe.microphone)
    starts = _starts(recipe, rng, rate)
    ring = math.ceil(RING * rate)
    sound = np.zeros(starts[-1] + ring)
    loudest = 0.0
    for start, place in zip(starts, _places(recipe, rng), strict=True):
        level = 10.0 ** (rng.normal(0.0, 2.0) / 20.0)
        one = level * synthesis.tap(head, heard, place, ring, rate)
        loudest = max(loudest, float(np.sqrt(np.mean(one[: round(0.05 * rate)] ** 2))))
        sound[start : start + ring] += one
    sound += loudest * 10.0 ** (-recipe.snr_db / 20.0) * _noise(rng, sound.size)
    result: NDArray[np.float64] = sound * (peak / np.abs(sound).max())
    return result


def _starts(recipe: Recipe, rng: np.random.Generator, rate: int) -> list[int]:
    """Sample at which each tap begins, rod after rod."""
    now, starts = LEAD_IN, []
    for _ in range(recipe.drum.rods):
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
