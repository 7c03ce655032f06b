"""Predicted spectra of the taps of an uneven head.

A tap excites each band with the values p of the band's shapes where it lands, weighted by the spectrum of its contact
at each mode's own frequency; the band answers G(s) g at the microphone (drumtune.advice.inversion.band). One unknown
gain per frequency bin, common to all taps, stands for everything linear between head and file. docs/inference.md,
"Model". Rows are taps (S), columns bins (K), M modes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import Band, Common, band_at
from drumtune.advice.inversion.blocks import blocks
from drumtune.advice.inversion.layout import (
    ANGLE,
    CONTACT,
    DELAY,
    RADIUS,
    RESIDUAL,
    SHAPE,
    STRENGTH,
    Globals,
    global_slices,
    modes,
)
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.physics import modes as head_modes
from drumtune.physics.stress import harmonics, rod_field

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the spectra are compared.

    Parameters
    ----------
    frequency, band
        Frequency in Hz and band of each bin, shape (K,).
    damping
        Decay rate of the exponential window, 1/s.
    level
        Typical level of the data in each bin's band, shape (K,): the unit of the constant residuals.
    """

    frequency: Array
    band: NDArray[np.int64]
    damping: float
    level: Array

    @property
    def s(self) -> Complex:
        """Complex frequency of each bin, 1/s."""
        return np.asarray(self.damping + 2j * np.pi * self.frequency, np.complex128)

    @property
    def bands(self) -> int:
        """Number of bands in use, from the lowest."""
        return int(self.band.max()) + 1

    @property
    def used(self) -> int:
        """Number of modes in use."""
        return int(modes().slots[self.bands - 1].stop)


@dataclass(slots=True)
class State:
    """A point of the fit: common unknowns (G,), each tap's own (S, LOCALS), gain of each bin (K,)."""

    common: Array
    own: Array
    gain: Complex


@dataclass(frozen=True, slots=True)
class HeadModel:
    """The drum as the fit knows it.

    Parameters
    ----------
    rods, angles, tap_radius
        Number of rods, angle of each tap's rod (S,), nominal radius of the taps.
    fields
        Stiffness of each rod harmonic, shape (Q, B, B).
    shape_rms
        Root mean square of each mode's even shape on the tap circle, shape (M,).
    at
        Places of the common unknowns.
    """

    rods: int
    angles: Array
    tap_radius: float
    fields: Array
    shape_rms: Array
    at: Globals

    @classmethod
    def build(cls, rods: int, angles: Array, tap_radius: float, slide: float) -> HeadModel:
        """Set up the model; `slide` as in `drumtune.physics.stress`."""
        fields = field_stiffness(rods, slide)
        return cls(rods, angles, tap_radius, fields, _shape_rms(tap_radius), global_slices(rods))


@cache
def field_stiffness(rods: int, slide: float) -> Array:
    """Stiffness matrices of the rod harmonics, shape (rods - 1, B, B)."""
    return np.stack([head_modes.stiffness(rod_field(k, kind, rods, slide)) for k, kind in harmonics(rods)])


def _shape_rms(tap_radius: float) -> Array:
    member, b = modes().member, head_modes.basis()
    radial = shape_table()(np.array([tap_radius]), np.zeros(1))[0][0]
    cosine = np.array([b.index(int(b.m[i]), int(b.n[i]))[0] for i in member])
    rms: Array = np.abs(radial[cosine]) * np.where(b.m[member] == 0, 1.0, np.sqrt(0.5))
    return rms


def stiffness(model: HeadModel, state: State) -> Array:
    """Stiffness of the uneven head in the Bessel basis, (B, B)."""
    total: Array = head_modes.even_stiffness() + np.tensordot(state.common[model.at.field], model.fields, 1)
    return total


def places(model: HeadModel, state: State) -> tuple[Array, Array]:
    """Where the taps landed: radius and angle, shape (S,)."""
    return (
        model.tap_radius + state.common[model.at.reach] + state.own[:, RADIUS],
        model.angles + state.own[:, ANGLE],
    )


def contacts(state: State) -> Array:
    """Contact times of the taps, (S, 1), s."""
    return 1e-3 * state.own[:, CONTACT, None]


def weighted(weight: Array, values: Array) -> Array:
    """Contact weights (S, d, d) times shape values (S, d)."""
    product: Array = np.matmul(weight, values[:, :, None])[:, :, 0]
    return product


def answer(band: Band, common: Common) -> Complex:
    """What the microphone hears of a band's modes, (d, K)."""
    heard: Complex = (band.response @ common.gain[band.table.slot]).T
    return heard


def assembled(state: State, grid: Grid, drive: Array, response: Complex) -> tuple[Complex, Complex]:
    """Spectra without the bins' gains, from shape values (S, M) and answers (M, K); the taps' strength and delay."""
    half = len(modes().slots)
    constant = state.own[:, RESIDUAL]
    constant = constant[:, :half] + 1j * constant[:, half:]
    delay = np.exp(state.own[:, STRENGTH, None] - 1e-3 * np.outer(state.own[:, DELAY], grid.s))
    return delay * (drive @ response + grid.level * constant[:, grid.band]), delay


def predict(model: HeadModel, state: State, grid: Grid) -> Complex:
    """Spectra of the taps without the bins' gains, shape (S, K)."""
    found = blocks(stiffness(model, state))
    common, used, contact = Common.read(state.common, model.at), grid.used, contacts(state)
    values = shape_table()(*places(model, state))[0] @ found.shapes[:, :used]
    values += state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
    drive, response = np.empty_like(values), np.empty((used, grid.frequency.size), complex)
    for place in range(grid.bands):
        band = band_at(place, common, found.stiffness[place], grid.s, contact)
        drive[:, band.table.slot] = weighted(band.weight, values[:, band.table.slot])
        response[band.table.slot] = answer(band, common)
    return assembled(state, grid, drive, response)[0]


@dataclass(frozen=True, slots=True)
class Modal:
    """The modes of the fitted head in band order.

    Parameters
    ----------
    frequency, rate
        Frequency in Hz and decay rate in 1/s, shape (M,).
    slope
        Slope of the frequencies by the common unknowns, shape (M, G).
    shapes
        Modes in the Bessel basis, shape (B, M).
    gain
        What the microphone makes of each mode's motion, shape (M,), complex.
    """

    frequency: Array
    rate: Array
    slope: Array
    shapes: Array
    gain: Complex
