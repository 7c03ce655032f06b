"""What relation between the two heads does what, on this drum: a scan of the bottom head, and how far to take it.

The top head stays at its pitch; the bottom head goes through offsets from it, in semitones of the pitch a player hears
tapping near a rod with the other head muted (the (1,1) mode) or, if asked for, at the centre ((0,1)). Everything comes
from `drumtune.physics.two_heads`; nothing here is a table of recipes. Decay times are T60 in s; a `Scan` holds arrays
over offsets, shape (N,).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import Head
from drumtune.errors import StandError
from drumtune.physics import air as loaded
from drumtune.physics import film, held_head, rods, two_heads
from drumtune.physics.synthesis import EDGE_DECAY, LOSS_FACTOR
from drumtune.physics.two_heads import BOTTOM, TOP, CoupledModes, TwoHeads

HIT_RADIUS = 0.3
"""Where the top head is thought struck, as a share of the radius: near the middle (common practice, no source)."""
FAMILIES = (0, 1, 2)
"""Nodal diameters whose pairs make up the sound that levels are taken against."""
EARLY = 0.08
"""What sounds later than this after the hit counts as its ring, s (the boundary of C80 in ISO 3382-1)."""
PULSE_RATE = 4.0
"""Rate in Hz at which beats are most striking (fluctuation strength: Fastl & Zwicker, Psychoacoustics, from memory)."""
TWO_NOTES = 20.0
"""Rate in Hz from which on beats turn into roughness between two notes (same source, from memory)."""


@dataclass(frozen=True, slots=True)
class Tuning:
    """A drum as it stands: films and air, tension of the top head (N/m), pitch it is measured by, and its losses.

    `order` is 1 for the pitch near a rod, 0 for the pitch at the centre, both with the other head muted; `bottom_hz` is
    where the bottom head is now, in the same measure, or None.
    """

    drum: TwoHeads
    top_tension: float
    top_hz: float
    order: int = 1
    bottom_hz: float | None = None
    loss: float = LOSS_FACTOR
    edge: float = EDGE_DECAY


@dataclass(frozen=True, slots=True)
class Scan:
    """A drum over offsets of its bottom head, arrays (N,) but for `alone` and `pair11` (N, 2) and `share` (N, 2, 2).

    Parameters
    ----------
    semitones, bottom_hz, bottom_tension
        Offset, pitch heard (Hz) and tension (N/m) of the bottom head. Where no tension gives the pitch it is 0, and
        whatever follows from it is NaN.
    alone
        Shape (N, 2), Hz: (0,1) of top and bottom head, each with the other held still.
    low, high, pair11
        Hz, the coupled (0,1) and (1,1) pairs.
    low_decay, high_decay
        T60, s.
    share
        [mode, head], share of each head in the motion of the lower and the upper (0,1) mode.
    beat_depth, beating
        How deep the (1,1) pair beats on the struck head, 0...1, and how strikingly, 0...1: depth times 1 at 4 beats a
        second, less when slower or faster; what is left above 20 Hz stands for roughness.
    after_note
        Time in s until the sound (the (0,1), (1,1) and (2,1) pairs together) has fallen 60 dB under what the same hit
        gives at its start with equal heads.
    late_level
        Level in dB of what sounds later than 80 ms after the hit, against the same hit with equal heads (with the
        tightest bottom head of the scan, where no tension makes the heads equal).
    stress
        Share of the safe film stress the bottom head needs (1 at the film's 5 % strain); NaN where only its weight is
        known.
    """

    semitones: NDArray[np.float64]
    bottom_hz: NDArray[np.float64]
    bottom_tension: NDArray[np.float64]
    alone: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    pair11: NDArray[np.float64]
    low_decay: NDArray[np.float64]
    high_decay: NDArray[np.float64]
    share: NDArray[np.float64]
    beat_depth: NDArray[np.float64]
    beating: NDArray[np.float64]
    after_note: NDArray[np.float64]
    late_level: NDArray[np.float64]
    stress: NDArray[np.float64]

    @property
    def beat(self) -> NDArray[np.float64]:
        """Beat of the (1,1) pair, Hz."""
        return np.asarray(self.pair11[:, 1] - self.pair11[:, 0])

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Offsets that a film can take and that sound at all."""
        return (self.bottom_tension > 0.0) & ~(self.stress >= 1.0)


def tune(
    drum: TwoHeads,
    top_hz: float,
    *,
    order: int = 1,
    bottom_hz: float | None = None,
    loss: float = LOSS_FACTOR,
    edge: float = EDGE_DECAY,
) -> Tuning:
    """Work out the top head's tension from the pitch heard with the bottom head muted.

    Raises
    ------
    StandError
        If no tension gives that pitch, or the film would be past its strength (top or, where given, bottom head).
    """
    tension = _checked_tension(drum, TOP, top_hz, order)
    if bottom_hz is not None:
        _checked_tension(drum, BOTTOM, bottom_hz, order)
    return Tuning(drum, tension, top_hz, order, bottom_hz, loss, edge)


def _checked_tension(drum: TwoHeads, which: int, pitch: float, order: int) -> float:
    """Tension of a head for a pitch, refused where film or air do not allow it."""
    name, head = ("top", drum.top) if which == TOP else ("bottom", drum.bottom)
    tension = float(held_head.held_tension(drum, pitch, order, which))
    if head is not None and head.thickness:
        needed = tension if tension > 0.0 else float(loaded.tension(head, pitch, order, 1, air=drum.air, sides=1))
        stress = float(film.stress(needed, head.thickness))
        if stress > film.STRENGTH:
            raise StandError(
                f"the {name} head at {pitch:.4g} Hz would need {stress / 1e6:.0f} MPa in its film, past the strength "
                f"of polyester ({film.STRENGTH / 1e6:.0f} MPa): check pitch, diameter and film"
            )
    if tension <= 0.0:
        raise StandError(
            f"no tension gives the {name} head {pitch:.4g} Hz on this shell, for the air in it: check the pitch, and "
            "whether it was heard near a rod or at the centre (--pitch)"
        )
    return tension


def scan(tuning: Tuning, semitones: ArrayLike) -> Scan:
    """Take the bottom head through `semitones` (N,) from the top head's pitch; see `Scan`."""
    steps = np.append(np.atleast_1d(np.asarray(semitones, float)), 0.0)  # equal heads last, to tell levels against
    drum = tuning.drum
    bottom_hz = tuning.top_hz * np.exp2(steps / 12.0)
    tension = held_head.held_tension(drum, bottom_hz, tuning.order, BOTTOM)
    safe = np.where(tension > 0.0, tension, 1.0)
    pairs = [two_heads.pair(drum, tuning.top_tension, safe, m, loss=tuning.loss, edge=tuning.edge) for m in FAMILIES]
    ring = _ring(pairs, int(np.argmax(tension)) if tension[-1] == 0.0 else -1)
    depth = _depth(ring.energy[1])
    decay = pairs[0].decay_time
    columns = (
        steps, bottom_hz, tension, _alone(tuning, safe),
        pairs[0].frequency[:, 0], pairs[0].frequency[:, 1], pairs[1].frequency,
        decay[:, 0], decay[:, 1], pairs[0].share,
        depth, depth * _pulse(np.diff(pairs[1].frequency, axis=-1)[..., 0]),
        ring.length, ring.late_db,
        _stress(drum.bottom, tension),
    )  # fmt: skip
    known = columns[:3] + tuple(_where(tension > 0.0, column) for column in columns[3:])
    return Scan(*(column[:-1] for column in known))


def _where(known: NDArray[np.bool_], column: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows that are known; NaN elsewhere."""
    return np.where(known.reshape(-1, *([1] * (column.ndim - 1))), column, np.nan)


def _pulse(rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """How striking full beats are at a rate in Hz, 0...1, after fluctuation strength: 2 / (f/f0 + f0/f)."""
    return np.asarray(2.0 * rate * PULSE_RATE / (rate**2 + PULSE_RATE**2))


def _alone(tuning: Tuning, tension: NDArray[np.float64]) -> NDArray[np.float64]:
    top = held_head.held_frequency(tuning.drum, tuning.top_tension, 0, TOP)
    bottom = held_head.held_frequency(tuning.drum, tension, 0, BOTTOM)
    return np.stack([np.broadcast_to(top, bottom.shape), bottom], axis=-1)


@dataclass(frozen=True, slots=True)
class _Ring:
    energy: list[NDArray[np.float64]]
    length: NDArray[np.float64]
    late_db: NDArray[np.float64]


def _ring(pairs: list[CoupledModes], reference: int) -> _Ring:
    """Energies given to each pair by a tap on the top head, and levels of the sound against the `reference` row's."""
    energy, power, late = [], [], []
    for m, found in zip(FAMILIES, pairs, strict=True):
        given = (1.0 if m == 0 else 2.0) * (found.motion[..., TOP, :] @ two_heads.shape_at(m, HIT_RADIUS)) ** 2
        energy.append(given)
        power.append(given * found.radiated)
        late.append(given * found.radiated / found.decay_rate * np.exp(-2.0 * found.decay_rate * EARLY))
    every, rate = np.concatenate(power, axis=-1), np.concatenate([found.decay_rate for found in pairs], axis=-1)
    ring = np.asarray(sum(x.sum(axis=-1) for x in late))
    return _Ring(
        energy, _length(every, rate, 1e-6 * float(every[reference].sum())), 10.0 * np.log10(ring / ring[reference])
    )


def _length(power: NDArray[np.float64], rate: NDArray[np.float64], floor: float) -> NDArray[np.float64]:
    """Time (s) until the sum of powers (N, K) falling as exp(-2 rate t) reaches `floor`, by bisection; (N,)."""
    low, high = np.zeros(len(power)), np.full(len(power), 30.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        above = np.sum(power * np.exp(-2.0 * rate * middle[:, None]), axis=-1) > floor
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(0.5 * (low + high))


def _depth(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 less the least over the greatest swing of two lines that start in step with these energies (N, 2)."""
    return np.asarray(1.0 - np.abs(energy[:, 0] - energy[:, 1]) / energy.sum(axis=-1))


def _stress(head: Head | None, tension: NDArray[np.float64]) -> NDArray[np.float64]:
    if head is None or not head.thickness:
        return np.full(tension.shape, np.nan)
    return np.asarray(film.safe_share(film.stress(tension, head.thickness)))


def turns_between(head: Head, start: float, target: float) -> tuple[float, float]:
    """Rough turns of every rod from one tension to another (N/m), loosening negative, and their standard deviation.

    From the film's stretch and the softness of real heads (``drumtune.physics.rods``); no drum was measured for it.
    """
    thickness = head.thickness or head.surface_density / 1390.0
    gain = rods.film_gain(head.radius, thickness) / rods.SOFTNESS
    turns = (target - start) / gain
    return turns, abs(turns) * rods.GAIN_SD


def semitones_between(frequency: float, reference: float) -> float:
    """Interval from `reference` up to `frequency` in semitones."""
    return 12.0 * math.log2(frequency / reference)
