"""Two heads on one shell, each with its film and its air, coupled by the air between them.

SI units. Motion is expanded, head by head, in the Bessel modes of the even head, and the enclosed air in the modes of a
rigid cylinder (`drumtune.physics.cavity`): symmetric mass and stiffness matrices, hence energy is conserved but for the
losses, which are small and taken from each mode's shape: radiation of both heads together, the films' own loss, and
the resistance of a vent. Displacements are positive downward on both heads. Families are the nodal diameters m; "the
pair" of a family is its (m,1) doublet of both heads. docs/physics.md, "Two heads".

Left out: uneven tension, the shell's own bending, snares, the glide of a hard hit, a room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jv

from drumtune.drum import Air, Head
from drumtune.physics import radiation
from drumtune.physics.cavity import RADIAL, enclosed_air, head_sign, head_zeros, outside_mass
from drumtune.physics.synthesis import EDGE_DECAY, LOSS_FACTOR

TOP, BOTTOM = 0, 1
MOSTLY = 0.4
"""Part of n = 1 in a mode's film motion from which it counts as (m,1); under a half, for where two modes mix evenly."""


@dataclass(frozen=True, slots=True)
class Vent:
    """A round hole in the shell, diameter and length (shell thickness) in m."""

    diameter: float
    length: float = 0.006


@dataclass(frozen=True, slots=True)
class TwoHeads:
    """A drum with a top and a bottom head of one radius; `bottom` is None for a shell open below.

    Parameters
    ----------
    top, bottom
        The films.
    depth
        Distance of the two heads, m.
    air
        The air sound goes out into.
    vent
        A hole in the shell.
    near
        Air as the heads feel it on them and between them, where takes have shown it to differ from `air` (a shell that
        leaks, gives way, or has something in it); None for the same.

    Raises
    ------
    ValueError
        If the radii differ or the depth is not positive.
    """

    top: Head
    bottom: Head | None
    depth: float
    air: Air = Air()  # noqa: RUF009 - frozen
    vent: Vent | None = None
    near: Air | None = None

    def __post_init__(self) -> None:
        if self.bottom is not None and self.bottom.radius != self.top.radius:
            raise ValueError("both heads must have one radius")
        if not self.depth > 0.0:
            raise ValueError(f"the depth must be positive, got {self.depth}")


@dataclass(frozen=True, slots=True)
class CoupledModes:
    """Some modes of one family, for tensions of shape (...,); K = 2 for a pair, 1 for that of a shell with one head.

    Parameters
    ----------
    frequency
        Shape (..., K), Hz, rising.
    share
        Shape (..., K, 2): [mode, head], share of the films' kinetic energy, 0...1.
    motion
        Shape (..., K, 2, RADIAL): [mode, head, n], amplitude of unit modal mass per unit area, m/kg^(1/2).
    radiated, internal
        Shape (..., K), decay rates (1/s) by sound and by film, edge and vent.
    """

    frequency: NDArray[np.float64]
    share: NDArray[np.float64]
    motion: NDArray[np.float64]
    radiated: NDArray[np.float64]
    internal: NDArray[np.float64]

    @property
    def decay_rate(self) -> NDArray[np.float64]:
        """Sum of both rates, 1/s."""
        return self.radiated + self.internal

    @property
    def decay_time(self) -> NDArray[np.float64]:
        """T60 in s: 6.9078 over the rate."""
        return 3.0 * math.log(10.0) / self.decay_rate


@dataclass(frozen=True, slots=True)
class Matrices:
    """Mass, air spring and film of one family per unit area; `film` (2, S) are the diagonals to multiply by T."""

    mass: NDArray[np.float64]
    spring: NDArray[np.float64]
    film: NDArray[np.float64]

    @property
    def size(self) -> int:
        """Number of unknowns S: top n, bottom n, cavity modes, and last the vent's outflow if there is a vent."""
        return len(self.mass)


@lru_cache(maxsize=64)
def matrices(drum: TwoHeads, m: int) -> Matrices:
    """Matrices of family m of a drum; see `Matrices`."""
    near = drum.near or drum.air
    a, zeros = drum.top.radius, head_zeros(m)
    enclosed = enclosed_air(m, a, drum.depth, near)
    mass, spring = enclosed.mass.copy(), enclosed.spring.copy()
    film = np.zeros((2, len(mass)))
    for head, description in enumerate((drum.top, drum.bottom)):
        rows = slice(head * RADIAL, (head + 1) * RADIAL)
        weight = description.surface_density if description else 0.0
        mass[rows, rows] += weight * np.eye(RADIAL) + near.density * a * outside_mass(m)
        film[head, rows] = (zeros / a) ** 2 if description else 0.0
    built = Matrices(mass, spring, film)
    return _with_vent(built, drum, near) if drum.vent and m == 0 else built


def _with_vent(built: Matrices, drum: TwoHeads, near: Air) -> Matrices:
    """One more unknown: volume out of the vent over pi a^2, on the spring that the heads work on."""
    assert drum.vent is not None
    radius = 0.5 * drum.vent.diameter
    length = drum.vent.length + 2.0 * 8.0 * radius / (3.0 * math.pi)
    inertia = near.density * length * drum.top.radius**2 / radius**2
    sweep = 2.0 * head_sign(0) / head_zeros(0)
    pull = near.density * near.sound_speed**2 / drum.depth * np.concatenate([-sweep, sweep])
    mass, spring = np.pad(built.mass, (0, 1)), np.pad(built.spring, (0, 1))
    mass[-1, -1] = inertia
    spring[-1, : 2 * RADIAL] = spring[: 2 * RADIAL, -1] = pull
    spring[-1, -1] = near.density * near.sound_speed**2 / drum.depth
    return Matrices(mass, spring, np.pad(built.film, ((0, 0), (0, 1))))


def all_modes(
    drum: TwoHeads, top: ArrayLike, bottom: ArrayLike, m: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies (..., S) in Hz, rising, and vectors (..., S, S) of unit modal mass (columns), without losses.

    Parameters
    ----------
    drum, m
        The drum, and the number of nodal diameters.
    top, bottom
        Tensions in N/m, broadcast; `bottom` does not matter where there is no bottom head.
    """
    built = matrices(drum, m)
    upper, lower = np.broadcast_arrays(np.asarray(top, float), np.asarray(bottom, float))
    unload = np.linalg.inv(np.linalg.cholesky(built.mass))
    parts = [unload @ part @ unload.T for part in (built.spring, np.diag(built.film[0]), np.diag(built.film[1]))]
    stiffness = parts[0] + upper[..., None, None] * parts[1] + lower[..., None, None] * parts[2]
    squares, turned = np.linalg.eigh(0.5 * (stiffness + np.swapaxes(stiffness, -1, -2)))
    return np.sqrt(np.maximum(squares, 0.0)) / (2.0 * math.pi), unload.T @ turned


def pair(
    drum: TwoHeads,
    top: ArrayLike,
    bottom: ArrayLike,
    m: int = 0,
    *,
    loss: float = LOSS_FACTOR,
    edge: float = EDGE_DECAY,
) -> CoupledModes:
    """The (m,1) pair of a drum at tensions `top` and `bottom` (N/m, broadcast), with what it loses.

    Parameters
    ----------
    drum, top, bottom, m
        See `all_modes`.
    loss, edge
        Loss factor of film and its edge, and the decay rate (1/s) that is the same for all modes: the defaults are
        those of `drumtune.physics.synthesis`, assumed, no source. Both act in proportion to the films' part in the
        potential energy: the air spring is taken without loss.

    Raises
    ------
    ValueError
        If a tension is not positive.
    """
    upper, lower = _tensions(drum, top, bottom)
    frequencies, vectors = all_modes(drum, upper, lower, m)
    chosen = _chosen(drum, m, frequencies, vectors)
    return _described(drum, m, (upper, lower), (frequencies, vectors, chosen), (loss, edge))


def pair_frequencies(drum: TwoHeads, top: ArrayLike, bottom: ArrayLike, m: int = 0) -> NDArray[np.float64]:
    """Frequencies of `pair` alone, shape (..., 2), Hz: quicker, where nothing of shapes and losses is asked.

    Raises
    ------
    ValueError
        If a tension is not positive.
    """
    frequencies, vectors = all_modes(drum, *_tensions(drum, top, bottom), m)
    return np.take_along_axis(frequencies, _chosen(drum, m, frequencies, vectors), -1)


def family(  # noqa: PLR0913 - the same six as `pair`, and a ceiling
    drum: TwoHeads,
    top: float,
    bottom: float,
    m: int,
    *,
    ceiling: float,
    loss: float = LOSS_FACTOR,
    edge: float = EDGE_DECAY,
) -> CoupledModes:
    """All modes of order m between 1 Hz and `ceiling` (Hz) at one tuning; see `pair`.

    Raises
    ------
    ValueError
        If a tension is not positive.
    """
    upper, lower = _tensions(drum, top, bottom)
    frequencies, vectors = all_modes(drum, upper, lower, m)
    chosen = np.flatnonzero((frequencies > 1.0) & (frequencies < ceiling))
    return _described(drum, m, (upper, lower), (frequencies, vectors, chosen), (loss, edge))


def lowest(drum: TwoHeads, top: ArrayLike, bottom: ArrayLike, m: int, count: int) -> CoupledModes:
    """The `count` lowest modes of order m above 1 Hz, for tensions (N/m) that broadcast; losses as usual.

    Raises
    ------
    ValueError
        If a tension is not positive.
    """
    upper, lower = _tensions(drum, top, bottom)
    frequencies, vectors = all_modes(drum, upper, lower, m)
    rank = np.where(frequencies > 1.0, frequencies, np.inf)
    chosen = np.sort(np.argsort(rank, axis=-1, kind="stable")[..., :count], axis=-1)
    return _described(drum, m, (upper, lower), (frequencies, vectors, chosen), (LOSS_FACTOR, EDGE_DECAY))


def _tensions(drum: TwoHeads, top: ArrayLike, bottom: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    upper, lower = np.broadcast_arrays(np.asarray(top, float), np.asarray(bottom, float))
    if np.any(upper <= 0.0) or (drum.bottom is not None and np.any(lower <= 0.0)):
        raise ValueError("tensions must be positive")
    return upper, lower


def _described(
    drum: TwoHeads,
    m: int,
    tensions: tuple[NDArray[np.float64], NDArray[np.float64]],
    solved: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]],
    losses: tuple[float, float],
) -> CoupledModes:
    """Shares, motion and losses of chosen modes."""
    frequencies, vectors, chosen = solved
    frequency = np.take_along_axis(frequencies, chosen, -1)
    modes = np.moveaxis(np.take_along_axis(vectors, chosen[..., None, :], -1), -1, -2)
    motion = modes[..., : 2 * RADIAL].reshape(*modes.shape[:-1], 2, RADIAL)
    weights = np.array([drum.top.surface_density, drum.bottom.surface_density if drum.bottom else 0.0])
    kinetic = weights * np.sum(motion**2, axis=-1)
    share = kinetic / np.maximum(np.sum(kinetic, axis=-1, keepdims=True), 1e-300)
    radiated, resisted = _losses(drum, m, frequency, modes, motion)
    film = np.einsum("hs,...ks->...kh", matrices(drum, m).film, modes**2)
    stretched = np.sum(np.stack(tensions, -1)[..., None, :] * film, axis=-1)
    omega = 2.0 * math.pi * frequency
    internal = stretched / omega**2 * (0.5 * losses[0] * omega + losses[1]) + resisted
    return CoupledModes(frequency, share, motion, radiated, internal)


def _chosen(
    drum: TwoHeads, m: int, frequencies: NDArray[np.float64], vectors: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Places of the pair's modes, rising.

    For m = 0 the two lowest, as in the rigid-cavity form (stiff air mixes (0,1) and (0,2) so much that their names lose
    their sense); else the two lowest in which the films move mostly as (m,1). A mode without stiffness (below 1 Hz) or
    one of the vent's own does not count.
    """
    rank = frequencies.copy()
    if m:
        weights = np.repeat([drum.top.surface_density, drum.bottom.surface_density if drum.bottom else 0.0], RADIAL)
        rank[first_part(weights, vectors) < MOSTLY] += 1e6
    if drum.vent and not m:
        rank[np.diag(matrices(drum, m).mass)[-1] * vectors[..., -1, :] ** 2 > 0.5] = np.inf
    rank[frequencies < 1.0] = np.inf
    return np.sort(np.argsort(rank, axis=-1, kind="stable")[..., : 1 if drum.bottom is None else 2], axis=-1)


def first_part(weights: NDArray[np.float64], vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part that n = 1 has in the films' kinetic energy of each mode; `weights` per head function, shape (H,)."""
    energy = weights[:, None] * vectors[..., : weights.size, :] ** 2
    return np.asarray(energy[..., ::RADIAL, :].sum(axis=-2) / np.maximum(energy.sum(axis=-2), 1e-300))


def _losses(
    drum: TwoHeads, m: int, frequency: NDArray[np.float64], modes: NDArray[np.float64], motion: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Decay rates by radiation and by the vent's resistance."""
    if drum.vent is None or m:
        return radiation.decay_rates(motion, frequency, m, drum.top.radius, drum.depth, drum.air), np.zeros_like(
            frequency
        )
    out = np.zeros((*motion.shape[:-2], 1, RADIAL))
    out[..., 0, 0] = modes[..., -1]
    radiated = radiation.decay_rates(
        np.concatenate([motion, out], axis=-2), frequency, m, drum.top.radius, drum.depth, drum.air
    )
    resistance = radiation.vent_resistance(drum.vent.diameter, drum.vent.length, 1.0, drum.air) * np.sqrt(frequency)
    return radiated, 0.5 * resistance * math.pi * drum.top.radius**2 * modes[..., -1] ** 2


def shape_at(m: int, r: ArrayLike) -> NDArray[np.float64]:
    """Head functions at radii `r` (share of the radius, 0...1), shape (RADIAL, *r.shape); mean square 1 on the disc."""
    r = np.asarray(r, float)
    zeros = head_zeros(m).reshape(-1, *([1] * r.ndim))
    return np.asarray(jv(m, zeros * r) / np.abs(jv(m + 1, zeros)))
