"""From the taps of a take to the head that explains them, and what later taps on the same head need.

What a reading says of the head is drumtune.advice.evenness; what the moves made of it is drumtune.advice.made. Does not
find the taps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.beliefs import Fit, infer
from drumtune.advice.inversion.families import Found, find_families
from drumtune.advice.inversion.observing import Take
from drumtune.advice.inversion.stages import rate_needed
from drumtune.advice.inversion.start import HeadSetup, Start
from drumtune.advice.inversion.timing import aligned
from drumtune.drum import Air, Drum
from drumtune.dsp.hum import STEADY, remove_hum
from drumtune.dsp.tap_spectra import Taps
from drumtune.dsp.taps import Tap
from drumtune.errors import TakeError
from drumtune.physics.membrane import bessel_zero

Array = NDArray[np.float64]
CLEAR_ORDERS = 0.3
"""Least clarity of the families by circular order for the head to be recognised as one tapped round its rim."""
WELL_TIMED = 0.75
"""Clarity below which onsets are taken from all taps together, and that it must then reach: lossless takes of the other
simulator have 0.77 to 0.94, its takes kept with loss 0.84 to 0.94 with onsets so taken; with rods counted or ordered
wrong onsets so taken reach 0.68."""
LEAD, TAIL = 0.3, 1.0
"""Sound looked at before the first stroke and after the last, s: how long a recording runs on must not matter."""
SLACKEST, TIGHTEST = 120.0, 20000.0
"""Tensions in N/m between which the head is looked for."""


@dataclass(frozen=True, slots=True)
class Explained:
    """A take explained by one head.

    Parameters
    ----------
    fit
        The head, the taps and what the microphone makes of them.
    used, left_out
        Taps used at each rod, and a sentence for each rod that lost some.
    onsets
        Of the taps used, shape (S,), s.
    loudest
        Peak of the loudest of them.
    """

    fit: Fit
    used: tuple[tuple[Tap, ...], ...]
    left_out: tuple[str, ...]
    onsets: Array
    loudest: float


def explain(
    samples: Array,
    sample_rate: float,
    taps_by_rod: Sequence[Sequence[Tap]],
    drum: Drum,
    *,
    air: Air | None = None,
    progress: Callable[[float], None] | None = None,
) -> Explained:
    """Explain a take by one head.

    Parameters
    ----------
    samples, sample_rate, taps_by_rod, drum, air, progress
        As of `drumtune.advice.evenness.read_head`.

    Raises
    ------
    ValueError
        If there are not as many groups of taps as rods.
    TakeError
        If a rod has no usable tap, or no head is recognised in the sound.
    """
    if len(taps_by_rod) != drum.rods:
        raise ValueError(f"{drum.rods} rods need as many groups of taps, got {len(taps_by_rod)}")
    tell = progress or (lambda share: None)
    used, left_out = _usable(taps_by_rod)
    taps, angles, loudest = _prepared(samples, sample_rate, taps_by_rod, used, drum)
    tell(0.05)
    taps, found = _recognised(taps, angles, drum, air or Air())
    tell(0.15)
    setup = HeadSetup(drum.rods, angles, drum.tap_radius)
    fit = infer(setup, taps, Start(found.families, found.air), progress=lambda share: tell(0.15 + 0.85 * share))
    return Explained(fit, tuple(map(tuple, used)), tuple(left_out), taps.taps.onsets, loudest)


def later_taps(
    explained: Explained, samples: Array, sample_rate: float, groups: Sequence[Sequence[Tap]]
) -> tuple[Take, ...]:
    """Taps made after the take, heard from the same place at the same gain, as `heard_after` wants them.

    Parameters
    ----------
    explained
        The take.
    samples, sample_rate
        One channel, shape (n,), and its rate in Hz.
    groups
        Taps in order of time, by what was done between them.
    """
    every = np.array([tap.onset for group in groups for tap in group])
    ends = np.append(every[1:], samples.size / sample_rate)
    edges = np.cumsum([0, *map(len, groups)])
    return tuple(
        _later(explained, samples, sample_rate, group, ends[first : first + len(group)])
        for group, first in zip(groups, edges, strict=False)
    )


def _later(explained: Explained, samples: Array, rate: float, taps: Sequence[Tap], ends: Array) -> Take:
    """One group of them; `ends` is when each must not be heard any more, s."""
    onsets = np.array([tap.onset for tap in taps])
    first = max(round((onsets.min() - LEAD) * rate), 0)
    heard = _quiet(samples[first : round(ends.max() * rate)], rate, onsets - first / rate, ends - first / rate)
    slow = heard.slowed(rate_needed(explained.fit.model, explained.fit.point.state.common))
    return Take(slow, np.array([tap.peak for tap in taps]) / explained.loudest)


def _quiet(samples: Array, rate: float, onsets: Array, ends: Array) -> Taps:
    """Taps at a low sample rate, hum and offset taken out."""
    low = Taps.of(samples - samples.mean(), rate, onsets, ends)
    return replace(low, samples=remove_hum(low.samples, low.rate, STEADY))


def _usable(taps_by_rod: Sequence[Sequence[Tap]]) -> tuple[list[list[Tap]], list[str]]:
    """Taps without faults, and a sentence for each rod that lost some."""
    used = [[tap for tap in taps if tap.usable] for taps in taps_by_rod]
    for rod, (taps, left) in enumerate(zip(taps_by_rod, used, strict=True), start=1):
        if not left:
            why = ", ".join(sorted({tap.fault for tap in taps})) or "none played"
            raise TakeError(
                f"rod {rod} has no usable tap ({why}): record the round again, softer if taps were clipped",
                reason="clipped" if "clipped" in why else "taps",
            )
    said = []
    for rod, taps in enumerate(taps_by_rod, start=1):
        faults = [tap.fault for tap in taps if not tap.usable]
        if faults:
            said.append(f"rod {rod}: left out {len(faults)} of {len(taps)} taps ({', '.join(sorted(set(faults)))})")
    return used, said


def _prepared(
    samples: Array, rate: float, every: Sequence[Sequence[Tap]], used: list[list[Tap]], drum: Drum
) -> tuple[Take, Array, float]:
    """Taps as the fit wants them, the angle of each one's rod, and the peak of the loudest."""
    flat = [tap for taps in used for tap in taps]
    strokes = np.sort([tap.onset for taps in every for tap in taps])
    onsets = np.array([tap.onset for tap in flat])
    first = max(round((onsets.min() - LEAD) * rate), 0)
    samples = samples[first : round((onsets.max() + TAIL) * rate)]
    onsets, strokes = onsets - first / rate, strokes - first / rate
    after = np.append(strokes, samples.size / rate)
    ends = after[np.searchsorted(strokes, onsets, side="right")]
    loudness = np.array([tap.peak for tap in flat])
    angles = np.repeat(drum.rod_angles, [len(taps) for taps in used])
    return Take(_quiet(samples, rate, onsets, ends), loudness / loudness.max()), angles, float(loudness.max())


def _recognised(take: Take, angles: Array, drum: Drum, air: Air) -> tuple[Take, Found]:
    """The take and the families of the head in it, or a TakeError when no head is recognised.

    Where the families are not clear the onsets may be to blame: they are then taken from all taps together, and count
    if that makes the families clear.
    """
    found = _families(take.taps, angles, drum, air)
    if found.clarity < WELL_TIMED:
        later = replace(take, taps=aligned(take.taps, angles, drum.rods))
        again = _families(later.taps, angles, drum, air)
        take, found = (later, again) if again.clarity >= WELL_TIMED else (take, found)
    if found.clarity < CLEAR_ORDERS:
        raise TakeError(
            "the taps do not sound like one head tapped round its rim: check the number of rods and the order of the "
            "taps, and that the microphone stood still",
            reason="unrecognised",
        )
    return take, found


def _families(taps: Taps, angles: Array, drum: Drum, air: Air) -> Found:
    """Families of the head."""
    head = drum.head
    load = 2.0 * air.density * head.radius / head.surface_density
    low, high = (_first_pair(drum, load, tension) for tension in (SLACKEST, TIGHTEST))
    return find_families(taps, angles, drum.rods, load, low, high)


def _first_pair(drum: Drum, load: float, tension: float) -> float:
    """Frequency of (1,1) at a tension, with air on both sides, Hz."""
    head = drum.head
    speed = math.sqrt(tension / head.surface_density)
    return bessel_zero(1, 1) * speed / (2.0 * math.pi * head.radius) / math.sqrt(1.0 + 0.3301 * load)
