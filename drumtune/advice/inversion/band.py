"""One band of modes as a damped system: stiffness K, loss C, response (s^2 + s C + K)^-1, contact weights.

docs/inference.md, "Model".
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import Globals, modes

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
NORM = 20.0
"""Twice a decay rate of 10/s: the response of such a mode is about one at its peak."""
_TRACELESS = (np.array([[1.0, 0.0], [0.0, -1.0]]), np.array([[0.0, 1.0], [1.0, 0.0]]))


@dataclass(frozen=True, slots=True)
class BandTable:
    """What does not change about a band.

    Parameters
    ----------
    slot, family
        Its modes among all, and the family of each, shape (d,).
    families
        Its families, ascending.
    sums
        For each of them, the matrix (d, d) that halves to the effect of its frequency on the stiffness.
    owned
        For each of them, 1 for its own modes, shape (d,).
    doublets
        Number among all doublets, family, and the two traceless matrices (2, d, d).
    mixed
        Whether families share the band.
    """

    slot: slice
    family: NDArray[np.int64]
    families: tuple[int, ...]
    sums: tuple[Array, ...]
    owned: tuple[Array, ...]
    doublets: tuple[tuple[int, int, Array], ...]
    mixed: bool


@cache
def band_table(place: int) -> BandTable:
    """Table of band `place`."""
    table = modes()
    slot = table.slots[place]
    family = table.family[slot]
    families = tuple(sorted(set(family.tolist())))
    owned = tuple((family == f).astype(float) for f in families)
    doublets = []
    for d, (band, f, inside) in enumerate(table.doublets):
        if band == place:
            both = np.zeros((2, family.size, family.size))
            for c, small in enumerate(_TRACELESS):
                both[c][np.ix_(inside, inside)] = small
            doublets.append((d, f, both))
    sums = tuple(mine[:, None] + mine for mine in owned)
    return BandTable(slot, family, families, sums, owned, tuple(doublets), len(families) > 1)


@dataclass(frozen=True, slots=True)
class Common:
    """The common unknowns read out: stiffness factor and decay rate per family (F,), corrections, gains (M,)."""

    stiff: Array
    rate: Array
    heavier: Array
    offset: Array
    tilt: Array
    loss_tilt: Array
    gain: Complex

    @classmethod
    def read(cls, common: Array, at: Globals) -> Common:
        """Read the flat vector of common unknowns."""
        table = modes()
        scale, air = np.exp(common[at.scale][0]), np.exp(common[at.air][0])
        load = 1.0 + air * table.chi
        both = common[at.gain]
        return cls(
            (2.0 * np.pi * scale * (1.0 + common[at.offset])) ** 2 / load,
            np.exp(common[at.loss]),
            1.0 / load - 1.0,
            common[at.offset],
            common[at.tilt].reshape(-1, 2),
            common[at.loss_tilt].reshape(-1, 2),
            both[: table.count] + 1j * both[table.count :],
        )


@dataclass(frozen=True, slots=True)
class Band:
    """One band at a point.

    Parameters
    ----------
    table
        What does not change about it.
    stiffness
        (d, d), (rad/s)^2.
    response
        (K, d, d), scaled by NORM times the root of `mean`.
    mean
        Mean squared angular frequency of the even modes.
    values, vectors
        Eigenvalues of the stiffness and their vectors, (d,) and (d, d).
    weight
        Spectrum of each tap's contact at the modes' frequencies, as a matrix (S, d, d).
    contact
        Contact times of the taps, (S, 1), s.
    """

    table: BandTable
    stiffness: Array
    response: Complex
    mean: float
    values: Array
    vectors: Array
    weight: Array
    contact: Array

    def loss(self, rates: Array) -> Array:
        """Loss matrix of decay rates given per mode's family (d,): 2 V diag(V^2 rate) V' where families mix."""
        if not self.table.mixed:
            return np.diag(2.0 * rates)
        v = self.vectors
        mixed: Array = (v * (2.0 * (v**2).T @ rates)) @ v.T
        return mixed

    @property
    def frequency(self) -> Array:
        """Undamped frequencies of the band's modes, (d,), Hz."""
        return np.sqrt(self.values) / (2.0 * np.pi)

    @property
    def scale(self) -> float:
        """What the response is scaled by."""
        return NORM * float(np.sqrt(self.mean))


def contact_spectrum(frequency: Array, contact: Array) -> Array:
    """Spectrum of a half-sine contact of length `contact` (s) at `frequency` (Hz), 1 at 0 Hz (broadcast)."""
    z = 2.0 * frequency * contact
    z = np.where(np.abs(z - 1.0) < 1e-6, 1.0 + 1e-6, z)
    return np.cos(0.5 * np.pi * z) / (1.0 - z * z)


def band_at(place: int, common: Common, inner: Array, s: Complex, contact: Array) -> Band:
    """The band from its block of stiffness `inner` (d, d), at complex frequencies s (K,), for contacts (S, 1)."""
    table, zero = band_table(place), modes().zero
    size = table.family.size
    root = np.sqrt(common.stiff[table.family])
    k, extra = inner * np.outer(root, root), np.zeros((size, size))
    for d, f, both in table.doublets:
        k += 2.0 * zero[f] ** 2 * common.stiff[f] * _leaning(common.tilt[d], both)
        extra += tilted_loss(common, d, f, both)
    values, vectors = np.linalg.eigh(k)
    values = np.maximum(values, 1.0)
    mean = float(zero[table.family] ** 2 @ common.stiff[table.family]) / size
    weight = (vectors * contact_spectrum(np.sqrt(values) / (2.0 * np.pi), contact)[:, None, :]) @ vectors.T
    bare = Band(table, k, np.zeros((0, size, size), complex), mean, values, vectors, weight, contact)
    loss = bare.loss(common.rate[table.family]) + extra
    resisting = (s**2)[:, None, None] * np.eye(size) + s[:, None, None] * loss + k
    return replace(bare, response=np.asarray(np.linalg.inv(resisting) * bare.scale, np.complex128))


def _leaning(amount: Array, both: Array) -> Array:
    """Sum of the two traceless matrices of a doublet, by amounts (2,)."""
    lean: Array = amount[0] * both[0] + amount[1] * both[1]
    return lean


def tilted_loss(common: Common, doublet: int, family: int, both: Array) -> Array:
    """What tells the losses of a doublet's two modes apart, (d, d)."""
    tilted: Array = 2.0 * common.rate[family] * _leaning(common.loss_tilt[doublet], both)
    return tilted


def contact_slope(band: Band) -> Array:
    """Slope of the contact weights by contact time in ms, (S, d, d)."""
    step = 1e-6
    lobe = contact_spectrum(band.frequency, band.contact + step) - contact_spectrum(band.frequency, band.contact)
    slope: Array = (band.vectors * (lobe / step * 1e-3)[:, None, :]) @ band.vectors.T
    return slope


def contact_by_stiffness(band: Band, moves: Array, values: Array) -> Array:
    """Slope of the contact weights times shape values (S, d) along changes of the stiffness (p, d, d), (p, S, d).

    The weights are a function of the stiffness matrix; its slope has divided differences of the scalar function in
    the eigenbasis (Daleckii and Krein; N. J. Higham, Functions of Matrices, 2008, theorem 3.11, from memory).
    """
    v, middle = band.vectors, 0.5 * np.add.outer(band.values, band.values)
    half = np.maximum(0.5 * np.abs(np.subtract.outer(band.values, band.values)), 1e-4 * middle)
    up, down = (
        contact_spectrum(np.sqrt(np.maximum(middle + h, 1.0)) / (2.0 * np.pi), band.contact[:, :, None])
        for h in (half, -half)
    )
    lobe = (up - down) / (2.0 * half) * (values @ v)[:, None, :]
    inside = v.T @ moves @ v
    slope: Array = np.matmul(inside.transpose(1, 0, 2), lobe.transpose(1, 2, 0)).transpose(1, 2, 0) @ v.T
    return slope


def loss_by_stiffness(band: Band, rates: Array, moves: Array) -> Array:
    """Slope of the loss matrix along changes of the stiffness (p, d, d): it follows the turning of the modes.

    Modes nearer together than a millionth hardly differ in loss; there the turning is held back.
    """
    if not band.table.mixed:
        return np.zeros_like(moves)
    v = band.vectors
    apart = np.subtract.outer(band.values, band.values)
    turn = -(v.T @ moves @ v) * apart / (apart**2 + (1e-6 * band.mean) ** 2)
    inside = v.T @ (rates[:, None] * v)
    own = 2.0 * np.diagonal(inside)
    changed = turn * (own - own[:, None])
    changed[:, range(own.size), range(own.size)] = 4.0 * np.sum(turn * inside, axis=1)
    slope: Array = v @ changed @ v.T
    return slope


@dataclass(frozen=True, slots=True)
class Directions:
    """Places among the common unknowns that move a band's stiffness and loss, and how: (p,), (p, d, d).

    `turned_by` is what a change of stiffness does to the loss, `louder` (p,) what it does to the logarithm of the
    response's scale.
    """

    stiff_at: list[int]
    stiff_by: Array
    turned_by: Array
    louder: Array
    loss_at: list[int]
    loss_by: Array


def directions(band: Band, common: Common, inner_slopes: Array, at: Globals) -> Directions:
    """What moves a band; `inner_slopes` (Q, d, d) are those of its block by the field's harmonics."""
    table, zero = band.table, modes().zero
    root = np.sqrt(common.stiff[table.family])
    heavier = common.heavier[table.family]
    stiff_at = [*range(at.field.start, at.field.stop), at.scale.start, at.air.start]
    stiff_by = [
        *(inner_slopes * np.outer(root, root)),
        2.0 * band.stiffness,
        0.5 * band.stiffness * np.add.outer(heavier, heavier),
    ]
    loss_at: list[int] = []
    loss_by: list[Array] = []
    for f, both, mine in zip(table.families, table.sums, table.owned, strict=True):
        stiff_at.append(at.offset.start + f)
        stiff_by.append(band.stiffness * both / (1.0 + common.offset[f]))
        loss_at.append(at.loss.start + f)
        loss_by.append(band.loss(common.rate[table.family] * mine))
    for d, f, traceless in table.doublets:
        stiff_at += [at.tilt.start + 2 * d, at.tilt.start + 2 * d + 1]
        stiff_by += [*(2.0 * zero[f] ** 2 * common.stiff[f] * traceless)]
        loss_at += [at.loss_tilt.start + 2 * d, at.loss_tilt.start + 2 * d + 1]
        loss_by += [*(2.0 * common.rate[f] * traceless)]
        loss_by[table.families.index(f)] = loss_by[table.families.index(f)] + tilted_loss(common, d, f, traceless)
    moves = np.array(stiff_by)
    turned = loss_by_stiffness(band, common.rate[table.family], moves)
    share = zero[table.family] ** 2 * common.stiff[table.family] / (band.mean * table.family.size)
    louder = np.zeros(len(stiff_at))
    louder[inner_slopes.shape[0]] = 1.0
    louder[inner_slopes.shape[0] + 1] = 0.5 * share @ heavier
    for place, (f, mine) in enumerate(zip(table.families, table.owned, strict=True), start=inner_slopes.shape[0] + 2):
        louder[place] = share @ mine / (1.0 + common.offset[f])
    return Directions(stiff_at, moves, turned, louder, loss_at, np.array(loss_by))
