"""What a rectangular room does: its modes, how fast they die, and the response between two places.

Conventions: SI. Places are (x, y, z) in m from one lower corner, along length, width and height. Modes have three
whole numbers (nx, ny, nz), half waves along each side; (0, 0, 0) is no mode and never listed. Rates are of amplitude,
1/s: T60 = 3 ln 10 / rate. The response is the Green's function of a small source of constant volume acceleration,
time factor exp(+i w t), in 1/m: in the open it is exp(-i k r)/(4 pi r). Equations: docs/physics.md, section Rooms.

Does not know furniture, doors, sloping walls or the size of the drum; above the Schroeder frequency single notes
depend on centimetres and only averages mean anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, exp1

from drumtune.drum import Air

Array = NDArray[np.float64]
Place = tuple[float, float, float]

KINDS = ("none", "axial", "tangential", "oblique")
"""Kinds of mode by how many of the three numbers are not zero."""
_AIR = Air()
_DECAY = 3.0 * math.log(10.0)
_DEPTH = 9.0
"""Modes and images are left out where their share has fallen to exp(-9), 1e-4."""


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
        return _DECAY / self.rate

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
        return _DECAY / reverberation_at(room, frequency)
    across, along = _bounces(room, n)
    return across + along


def _bounces(room: Room, n: NDArray[np.int64]) -> tuple[Array, Array]:
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
    """Sabine's T60 (s) from the walls' absorption: 24 ln 10 V / (c A), A the absorbing area. ISO 354 eq. 5 at m = 0."""
    return 8.0 * _DECAY * room.volume / (room.air.sound_speed * _absorbing_area(room, eyring=False))


def eyring(room: Room) -> float:
    """Eyring's T60 (s): 24 ln 10 V / (-c S ln(1 - mean absorption)). C. F. Eyring, JASA 1(2A), 1930."""
    return 8.0 * _DECAY * room.volume / (room.air.sound_speed * _absorbing_area(room, eyring=True))


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


def mode_density(room: Room, frequency: ArrayLike) -> Array:
    """Expected modes per Hz at a frequency (Hz): the derivative of `mode_count`."""
    c = room.air.sound_speed
    x = np.asarray(frequency, float) / c
    result: Array = (4.0 * np.pi * room.volume * x**2 + np.pi / 2.0 * room.surface * x + room.edges / 8.0) / c
    return result


def transfer(room: Room, frequency: ArrayLike, source: Place, receiver: Place) -> NDArray[np.complex128]:
    """Response between two places at frequencies (Hz), shape (F,), in 1/m.

    The sum over modes psi_n(r) psi_n(r0) / (V (k_n^2 - k^2 + 2 i k delta_n/c)) is split as Ewald splits it: modes with
    a Gaussian taper, and what the taper leaves out as the field close to the source and its nearest images. So it
    converges at any distance. docs/physics.md, Rooms; the sum: Kuttruff 6e, eq. 3.10.

    Raises
    ------
    ValueError
        If a place lies outside the room or the two are nearer than 1 cm, or a frequency is not positive.
    """
    frequency = np.atleast_1d(np.asarray(frequency, float))
    if not (frequency.size and np.all((frequency > 0.0) & (frequency < np.inf))):
        raise ValueError("frequencies must be positive")
    for name, place in (("source", source), ("receiver", receiver)):
        if not inside(room, place):
            raise ValueError(f"the {name} at {place} m is outside the room of {room.size} m")
    if math.dist(source, receiver) < 0.01:
        raise ValueError("source and receiver are at one place")
    return split_transfer(room, frequency, source, receiver, taper=default_taper(room, float(frequency.max())))


def default_taper(room: Room, limit: float) -> float:
    """Where `transfer` splits modes from near field, wave number in 1/m, for frequencies up to `limit` (Hz).

    The least for which the images one reflection away in each direction will do, 4 E^2 L^2 = 9 + k^2/4E^2 with L the
    shortest side; not under k/8, where rounding begins to tell.
    """
    wave, shortest = 2.0 * np.pi * limit / room.air.sound_speed, min(room.size)
    least = math.sqrt((_DEPTH + math.sqrt(_DEPTH**2 + 4.0 * (shortest * wave) ** 2)) / 8.0) / shortest
    return max(least, wave / 8.0)


def split_transfer(
    room: Room, frequency: Array, source: Place, receiver: Place, *, taper: float
) -> NDArray[np.complex128]:
    """`transfer` split at wave number `taper` (1/m); the result does not depend on it (the tests prove it)."""
    c = room.air.sound_speed
    wave = 2.0 * np.pi * frequency / c
    loss = _DECAY / reverberation_at(room, frequency) / c
    damped = np.sqrt(wave**2 - 2j * wave * loss)
    limit = math.sqrt(float(wave.max()) ** 2 + 4.0 * _DEPTH * taper**2) * c / (2.0 * np.pi)
    found = modes(room, limit)
    weight = mode_shape(room, found.n, source) * mode_shape(room, found.n, receiver) / room.volume
    own = 2.0 * np.pi * found.frequency / c
    still = 1.0 / (-(damped**2) * room.volume)  # the mode (0, 0, 0): even pressure
    tapered = weight * np.exp(-(own**2) / (4.0 * taper**2))
    alike = np.exp(damped**2 / (4.0 * taper**2)) * (still + _mode_sum(wave, own, loss[:, None], tapered))
    alike += _near_field(room, damped, source, receiver, taper)
    if len(room.reverberation) == 1:
        return alike
    # modes that lose more or less than the mean: the difference falls as k_n^-4 and needs no taper
    stiff = own if room.reverberation else np.sqrt(own**2 + 2.0 * own * _bounces(room, found.n)[1] / c)
    differing = _mode_sum(wave, stiff, found.rate / c, weight) - _mode_sum(wave, own, loss[:, None], weight)
    return alike + differing


def _mode_sum(wave: Array, own: Array, loss: Array, weight: Array) -> NDArray[np.complex128]:
    """Sum of weight/(own^2 - wave^2 + 2i wave loss), shape (F,); `loss` (1/m) is (N,) or, one for all modes, (F, 1)."""
    result = np.empty(wave.size, complex)
    step = max(1, 1_000_000 // max(own.size, 1))  # blocks of a few tens of megabytes
    for first in range(0, wave.size, step):
        k = wave[first : first + step, None]
        off = own**2 - k**2
        width = 2.0 * k * (loss[first : first + step] if loss.ndim == 2 else loss)
        size = off**2 + width**2
        result[first : first + step] = (off / size) @ weight - 1j * ((width / size) @ weight)
    return result


def mode_shape(room: Room, n: NDArray[np.int64], place: Place) -> Array:
    """Mode shapes at a place, shape (N,), scaled so that their mean square over the room is 1."""
    scale = np.sqrt(np.where(n > 0, 2.0, 1.0).prod(axis=1))
    result: Array = scale * np.cos(np.pi * n * np.asarray(place) / np.asarray(room.size)).prod(axis=1)
    return result


def _near_field(
    room: Room, wave: NDArray[np.complex128], source: Place, receiver: Place, taper: float
) -> NDArray[np.complex128]:
    """Field of the source and its nearest images that the taper leaves out, shape (F,) (Ewald's short-range part).

    `wave` is the wave number with the room's mean loss in it.
    """
    shifts, signs = np.meshgrid([-2.0, 0.0, 2.0], [-1.0, 1.0])
    sides = [
        shifts.ravel() * side + signs.ravel() * x0 - x for side, x0, x in zip(room.size, source, receiver, strict=True)
    ]
    grid = np.meshgrid(*sides)
    distance = np.sqrt(grid[0] ** 2 + grid[1] ** 2 + grid[2] ** 2).ravel()
    shift = 1j * wave / (2.0 * taper)
    reach = math.sqrt(_DEPTH + float(np.abs(shift).max()) ** 2)
    r = distance[distance * taper < reach + 0.5][:, None]
    out, back = (np.exp(turn * r) * erfc(taper * r + move) for turn, move in ((1j * wave, shift), (-1j * wave, -shift)))
    result: NDArray[np.complex128] = ((out + back) / (8.0 * np.pi * r)).sum(axis=0)
    return result


def inside(room: Room, place: Place) -> bool:
    """Whether a place lies in the room or on its walls."""
    return len(place) == 3 and all(0.0 <= x <= side for x, side in zip(place, room.size, strict=True))


def diffuse_level(room: Room, frequency: ArrayLike, distance: float | None) -> Array:
    """Mean square response (1/m2) that a room this lively has where no single mode stands out, at frequencies (Hz).

    Direct field plus what comes later than it, 1/(4 pi r)^2 + exp(-6 ln 10 r/(c T))/(pi A), A = 24 ln 10 V/(c T) the
    equivalent absorbing area; without `distance` (m) the whole field's mean, 1/(pi A). M. Barron & L.-J. Lee, JASA
    84(2), 1988 (revised theory), in terms of the response; Kuttruff 6e, eq. 5.44 for A.
    """
    decay = reverberation_at(room, frequency)
    area = 8.0 * _DECAY * room.volume / (room.air.sound_speed * decay)
    if distance is None:
        return np.asarray(1.0 / (np.pi * area))
    later = np.exp(-2.0 * _DECAY * distance / (room.air.sound_speed * decay))
    result: Array = 1.0 / (4.0 * np.pi * distance) ** 2 + later / (np.pi * area)
    return result


def typical_level(room: Room, frequency: ArrayLike, distance: float) -> Array:
    """Square (1/m2) that belongs to the mean level, in dB, of a steady tone at random places so far apart (m).

    Many waves of random phase over a direct one: the mean of ln p^2 lies ln K + E1(K) - ln(1 + K) over that of the mean
    square, K the direct over the later field; 2.5 dB under it where there is no direct field to speak of. From the mean
    of the logarithm of a noncentral chi-square variable of two degrees of freedom; M. R. Schroeder, Acustica 4, 1954.
    """
    direct = 1.0 / (4.0 * np.pi * distance) ** 2
    whole = diffuse_level(room, frequency, distance)
    ratio = direct / (whole - direct)
    result: Array = whole * np.exp(np.log(ratio) + exp1(ratio) - np.log1p(ratio))
    return result


def mean_square(room: Room, frequency: ArrayLike) -> Array:
    """Mean square response (1/m2) over all pairs of places, at frequencies (Hz), shape (F,): the modes' own sum.

    The even pressure (0, 0, 0) is in it. Modes are taken to twice the highest frequency.
    """
    frequency = np.atleast_1d(np.asarray(frequency, float))
    found = modes(room, 2.0 * float(frequency.max()))
    c = room.air.sound_speed
    own, width = 2.0 * np.pi * found.frequency / c, found.rate / c
    k = 2.0 * np.pi * frequency / c
    total = k**-4.0
    step = max(1, 1_000_000 // max(own.size, 1))
    for first in range(0, k.size, step):
        part = k[first : first + step, None]
        total[first : first + step] += (1.0 / ((own**2 - part**2) ** 2 + (2.0 * part * width) ** 2)).sum(axis=1)
    result: Array = total / room.volume**2
    return result
