"""A take of whole hits that were never played: a described drum struck a few times, in a room if one is given.

What `drumtune synth` writes with --depth-in, and what lessons are made of. Own synthesis: it shows and lets try out;
it proves nothing about the reading of recordings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.pair import Tuning
from drumtune.advice.pair_sound import lines
from drumtune.advice.room_burst import room_spectrum
from drumtune.physics import whole_hit
from drumtune.physics.room import Place, Room
from drumtune.physics.whole_hit import Lines, Stroke

Array = NDArray[np.float64]

LEAD_IN = 0.3
"""Before the first hit, s."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to play and how.

    Parameters
    ----------
    tuning, semitones
        The drum, and how far its bottom head stands over its top.
    hits
        Number of hits.
    gap
        Time from hit to hit, s; the last one rings as long.
    stroke
        The strongest stroke; its seed is that of everything random.
    level_sd_db, place_sd
        How hits scatter: level in dB, place as share of the radius. Glide goes with the square of the level.
    snr_db
        Peak over the noise of the recording, dB.
    room, places
        The room, and where in it drum and microphone are; None for none.
    """

    tuning: Tuning
    semitones: float
    hits: int = 4
    gap: float = 2.5
    stroke: Stroke = Stroke(glide_cents=25.0, noise_db=-20.0)  # noqa: RUF009 - frozen
    level_sd_db: float = 1.5
    place_sd: float = 0.03
    snr_db: float = 70.0
    room: Room | None = None
    places: tuple[Place, Place] | None = None


def play(recipe: Recipe, rate: int, *, peak: float = 0.5) -> Array:
    """Samples of the take, shape (n,), at `rate` Hz, the loudest at `peak` of full scale.

    Raises
    ------
    ValueError
        If there is no hit to play, or a room without places.
    """
    if recipe.hits < 1 or not recipe.gap > 0.0:
        raise ValueError(f"a take has a hit at least and time for it, got {recipe.hits} of {recipe.gap} s")
    rng = np.random.default_rng(recipe.stroke.seed)
    each, lead = round(recipe.gap * rate), round(LEAD_IN * rate)
    ring = 2 * each
    sound = np.zeros(lead + (recipe.hits + 1) * each)
    for number in range(recipe.hits):
        start = lead + number * each
        sound[start : start + ring] += _one(recipe, ring, rate, rng)
    sound = sound[: lead + recipe.hits * each]
    if recipe.room is not None:
        sound = in_room(sound, rate, recipe.room, recipe.places, rng)
    sound = sound / np.abs(sound).max()
    sound = sound + 10.0 ** (-recipe.snr_db / 20.0) * rng.standard_normal(sound.size)
    return np.asarray(peak * sound / np.abs(sound).max())


def _one(recipe: Recipe, count: int, rate: int, rng: np.random.Generator) -> Array:
    """One hit, a little softer or harder and off its place."""
    level = 10.0 ** (min(0.0, rng.normal(-recipe.level_sd_db, recipe.level_sd_db)) / 20.0)
    radius = float(np.clip(rng.normal(recipe.stroke.radius, recipe.place_sd), 0.0, 0.95))
    stroke = replace(
        recipe.stroke,
        glide_cents=recipe.stroke.glide_cents * level**2,
        radius=radius,
        seed=int(rng.integers(2**31)),
    )
    return np.asarray(level * whole_hit.sound(_lines(recipe, rate, radius), count, rate, stroke))


def _lines(recipe: Recipe, rate: int, radius: float) -> Lines:
    return lines(recipe.tuning, recipe.semitones, float(rate), radius)


def in_room(sound: Array, rate: int, room: Room, places: tuple[Place, Place] | None, rng: np.random.Generator) -> Array:
    """A sound made at the first place as heard at the second, same length, any scale.

    Raises
    ------
    ValueError
        If there are no places.
    """
    if places is None:
        raise ValueError("a room needs places of drum and microphone")
    spectrum = room_spectrum(room, places, sound.size, rate, rng)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, 2 * sound.size) * spectrum, 2 * sound.size)[: sound.size])
