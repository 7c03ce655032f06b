"""What a rectangular room is: its modes, how fast they die, how many there are.

Conventions: SI. Places are (x, y, z) in m from one lower corner, along length, width and height. Modes have three
whole numbers (nx, ny, nz), half waves along each side; (0, 0, 0) is no mode and never listed. Rates are of amplitude,
1/s: T60 = 3 ln 10 / rate. The response between places is in `drumtune.physics.room_response`. Equations:
docs/physics.md, section Rooms.

Does not know furniture, doors, sloping walls or the size of the drum; above the Schroeder frequency single notes
depend on centimetres and only averages mean anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import Air

Array = NDArray[np.float64]
Place = tuple[float, float, float]

KINDS = ("none", "axial", "tangential", "oblique")
"""Kinds of mode by how many of the three numbers are not zero."""
_AIR = Air()
DECAY = 3.0 * math.log(10.0)
"""T60 times the rate of the amplitude."""


@dataclass(frozen=True, slots=True)
class Room:
    """A rectangular room, by its size and by what takes sound away.

    Parameters
    ----------
    size
        Length, width, height in m.
    reverberation
        Measured decay as (frequency in Hz, T60 in s), by rising frequency; one pair for all frequencies will do.
        Empty when `absorption` is given.
    absorption
        Absorption of the walls at x = 0, x = L, y = 0, y = L, floor, ceiling, each over 0 and under 1, the same at all
        angles. Empty when `reverberation` is given.
    air
        Density and sound speed.

    Raises
    ------
    ValueError
        If a size or a decay is not positive, an absorption not between 0 and 1, or not exactly one of the two is given.
    """

    size: Place
    reverberation: tuple[tuple[float, float], ...] = ()
    absorption: tuple[float, ...] = ()
    air: Air = _AIR

    def __post_init__(self) -> None:
        if len(self.size) != 3 or not all(math.isfinite(s) and s > 0.0 for s in self.size):
            raise ValueError(f"a room has three sizes over zero, got {self.size}")
        if bool(self.reverberation) == bool(self.absorption):
            raise ValueError("a room's losses are its measured decay or its walls' absorption: give one of them")
        if not all(f > 0.0 and 0.0 < t < math.inf for f, t in self.reverberation):
            raise ValueError(f"decay is given as pairs of Hz and s over zero, got {self.reverberation}")
        if self.absorption and (len(self.absorption) != 6 or not all(0.0 < a < 1.0 for a in self.absorption)):
            raise ValueError(f"six walls each absorb more than 0 and less than 1, got {self.absorption}")

    @property
    def volume(self) -> float:
        """Volume, m3."""
        return math.prod(self.size)

    @property
    def surface(self) -> float:
        """Area of walls, floor and ceiling, m2."""
        x, y, z = self.size
        return 2.0 * (x * y + y * z + z * x)

    @property
    def edges(self) -> float:
        """Length of all twelve edges, m."""
        return 4.0 * sum(self.size)


@dataclass(frozen=True, slots=True)
class Modes:
    """Modes by rising frequency: `frequency` in Hz, shape (N,); `n` half waves, shape (N, 3); `rate` in 1/s, (N,)."""

    frequency: Array
    n: NDArray[np.int64]
    rate: Array

    @property
    def decay(self) -> Array:
        """T60 of each mode, s, shape (N,)."""
        return DECAY / self.rate

    @property
    def kind(self) -> list[str]:
        """axial, tangential or oblique, one word for each mode."""
        return [KINDS[count] for count in np.count_nonzero(self.n, axis=1)]


def mode_frequency(n: ArrayLike, size: Place, *, sound_speed: float = 343.2) -> Array:
    """Frequencies (Hz) of modes `n`, shape (..., 3), of a room of `size` in m: (c/2) sqrt(sum (n_i/L_i)^2).

    Source: H. Kuttruff, Room Acoustics, section 3.1; checked against M. Long, Architectural Acoustics, Table 8.1.
    """
    ratio = np.asarray(n, float) / np.asarray(size, float)
    result: Array = 0.5 * sound_speed * np.sqrt((ratio**2).sum(axis=-1))
    return result


def modes(room: Room, limit: float) -> Modes:
    """All modes up to `limit` in Hz, by rising frequency.

    Raises
    ------
    ValueError
        If the limit is not positive and finite.
    """
    if not 0.0 < limit < math.inf:
        raise ValueError(f"the highest frequency must be positive, got {limit}")
    top = [int(2.0 * limit * side / room.air.sound_speed) for side in room.size]
    n = np.indices([count + 1 for count in top]).reshape(3, -1).T[1:]
    frequency = mode_frequency(n, room.size, sound_speed=room.air.sound_speed)
    kept = frequency <= limit
    n, frequency = n[kept], frequency[kept]
    order = np.argsort(frequency, kind="stable")
    n, frequency = n[order].astype(np.int64), frequency[order]
    return Modes(frequency, n, decay_rate(room, n, frequency))


def decay_rate(room: Room, n: NDArray[np.int64], frequency: Array) -> Array:
    """Rate (1/s) at which each mode dies, shape (N,).

    From measured decay: that of its frequency (linear in log f, held at the ends). From absorption: a wave of the mode
    meets the two walls across side i  c (k_i/k)/L_i  times a second and keeps sqrt(1 - alpha) of its amplitude each
    time; averaged over all directions this is Eyring's formula. A wall along which the mode runs takes less: the wave
    spreads sideways into it, (c/2k)(q_i/L_i) sqrt(k rate/c), q the mean loss per bounce. docs/physics.md, Rooms.
    """
    if room.reverberation:
        return DECAY / reverberation_at(room, frequency)
    across, along = bounces(room, n)
    return across + along


def bounces(room: Room, n: NDArray[np.int64]) -> tuple[Array, Array]:
    """Rates (1/s) by the walls a mode bounces between and by those it runs along, each shape (N,)."""
    c = room.air.sound_speed
    loss = -0.5 * np.log1p(-np.reshape(room.absorption, (3, 2))).mean(axis=1) / np.asarray(room.size)
    wave = np.pi * n / np.asarray(room.size)
    k = np.linalg.norm(wave, axis=1)
    across: Array = c * (wave @ loss) / k
    along: Array = c / (2.0 * k) * ((n == 0) @ loss) * np.sqrt(k * across / c)
    return across, along


def reverberation_at(room: Room, frequency: ArrayLike) -> Array:
    """T60 in s at frequencies in Hz: as measured (linear in log f, held at the ends), or Eyring's."""
    frequency = np.asarray(frequency, float)
    if not room.reverberation:
        return np.full(frequency.shape, eyring(room))
    known, decay = np.array(room.reverberation).T
    result: Array = np.interp(np.log(np.maximum(frequency, 1e-9)), np.log(known), decay)
    return result


def sabine(room: Room) -> float:
    """Sabine's T60 (s) from the walls' absorption: 24 ln 10 V / (c A), A the absorbing area. ISO 354 eq. 5 at m = 0.

    Raises
    ------
    ValueError
        If the room is given by its decay, not by its walls.
    """
    return 8.0 * DECAY * room.volume / (room.air.sound_speed * _absorbing_area(room, eyring=False))


def eyring(room: Room) -> float:
    """Eyring's T60 (s): 24 ln 10 V / (-c S ln(1 - mean absorption)). C. F. Eyring, JASA 1(2A), 1930.

    Raises
    ------
    ValueError
        If the room is given by its decay, not by its walls.
    """
    return 8.0 * DECAY * room.volume / (room.air.sound_speed * _absorbing_area(room, eyring=True))


def _absorbing_area(room: Room, *, eyring: bool) -> float:
    if not room.absorption:
        raise ValueError("the walls' absorption is not known, only the decay")
    x, y, z = room.size
    walls = np.repeat([y * z, x * z, x * y], 2)
    area = float(walls @ np.asarray(room.absorption))
    return -room.surface * math.log1p(-area / room.surface) if eyring else area


def schroeder_frequency(decay: ArrayLike, volume: ArrayLike) -> Array:
    """Frequency (Hz) above which modes overlap: 2000 sqrt(T/V), T in s, V in m3 (Kuttruff 6e, eq. 3.44)."""
    result: Array = 2000.0 * np.sqrt(np.asarray(decay, float) / np.asarray(volume, float))
    return result


def schroeder_of(room: Room) -> float:
    """Schroeder frequency (Hz) of a room, with the decay that holds at that very frequency."""
    limit = 150.0
    for _ in range(60):
        limit = 0.5 * (limit + float(schroeder_frequency(reverberation_at(room, limit), room.volume)))
    return limit


def mode_count(room: Room, frequency: ArrayLike) -> Array:
    """Expected number of modes up to a frequency (Hz): volume, surface and edge terms (Kuttruff 6e, eq. 3.20)."""
    x = np.asarray(frequency, float) / room.air.sound_speed
    result: Array = 4.0 * np.pi / 3.0 * room.volume * x**3 + np.pi / 4.0 * room.surface * x**2 + room.edges / 8.0 * x
    return result
