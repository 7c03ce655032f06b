"""What a rectangular room does between two places: its response, and the levels to hold it against.

Conventions as in `drumtune.physics.room`. The response is the Green's function of a small source of constant volume
acceleration, time factor exp(+i w t), in 1/m: in the open it is exp(-i k r)/(4 pi r). Equations: docs/physics.md,
section Rooms.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, exp1

from drumtune.physics.room import DECAY, Array, Place, Room, bounces, modes, reverberation_at

_DEPTH = 9.0
"""Modes and images are left out where their share has fallen to exp(-9), 1e-4."""


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
    loss = DECAY / reverberation_at(room, frequency) / c
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
    stiff = own if room.reverberation else np.sqrt(own**2 + 2.0 * own * bounces(room, found.n)[1] / c)
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
    area = 8.0 * DECAY * room.volume / (room.air.sound_speed * decay)
    if distance is None:
        return np.asarray(1.0 / (np.pi * area))
    later = np.exp(-2.0 * DECAY * distance / (room.air.sound_speed * decay))
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
