"""Predicted spectra of the taps of an uneven head.

A tap excites each band with the values p of the band's shapes where it lands, weighted by the spectrum of its contact
at each mode's own frequency; the band answers G(s) g at the microphone (drumtune.advice.inversion.band). One unknown
gain per frequency bin, common to all taps, stands for everything linear between head and file. docs/inference.md,
"Model". Rows are taps (S), columns bins (K), M modes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import Band, Common, band_at
from drumtune.advice.inversion.blocks import Blocks, blocks
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
    def lowest(self) -> int:
        """The lowest band that is looked at."""
        return int(self.band.min())

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


def delays(state: State, grid: Grid) -> Complex:
    """Strength and delay of each tap at the bins, (S, K)."""
    return np.asarray(
        np.exp(state.own[:, STRENGTH, None] - 1e-3 * np.outer(state.own[:, DELAY], grid.s)), np.complex128
    )


def weighted(weight: Array, values: Array) -> Array:
    """Contact weights (S, d, d) times shape values (S, d)."""
    product: Array = np.matmul(weight, values[:, :, None])[:, :, 0]
    return product


@dataclass(frozen=True, slots=True)
class Forward:
    """What the model makes of a point; the bins' gains are not in it.

    Parameters
    ----------
    grid
        Where the spectra are looked at.
    common, blocks, bands
        The common unknowns read out, and the head's blocks and bands.
    shapes
        Values of the Bessel shapes where the taps landed, (S, B).
    values, by_radius, by_angle
        Values of the modes there, with the taps' own errors, and slopes of them, (S, M).
    drive, response
        What each tap does to each mode (S, M), and what the microphone hears of it (M, K).
    delay
        Strength and delay of each tap, (S, K).
    spectra
        Of the taps, (S, K).
    """

    grid: Grid
    common: Common
    blocks: Blocks
    bands: tuple[Band, ...]
    shapes: Array
    values: Array
    by_radius: Array
    by_angle: Array
    drive: Array
    response: Complex
    delay: Complex
    spectra: Complex


def forward(model: HeadModel, state: State, grid: Grid) -> Forward:
    """Spectra of the taps at a point, and all that led to them."""
    found, used = blocks(stiffness(model, state)), grid.used
    common, contact = Common.read(state.common, model.at), contacts(state)
    shapes = shape_table()(*places(model, state))
    values, by_radius, by_angle = (each @ found.shapes[:, :used] for each in shapes)
    values += state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
    bands = tuple(band_at(b, common, found.stiffness[b], grid.s, contact) for b in range(grid.bands))
    drive = np.concatenate([weighted(band.weight, values[:, band.table.slot]) for band in bands], axis=1)
    delay, none = delays(state, grid), np.zeros((0, grid.frequency.size), complex)
    mute = Forward(grid, common, found, bands, shapes[0], values, by_radius, by_angle, drive, none, delay, none)
    return heard_by(common.gain, mute, state)


def heard_by(gain: Complex, here: Forward, state: State) -> Forward:
    """The same taps on the same head with other gains of the modes, (M,)."""
    half = len(modes().slots)
    constant = state.own[:, RESIDUAL]
    constant = constant[:, :half] + 1j * constant[:, half:]
    response = np.hstack([band.response @ gain[band.table.slot] for band in here.bands]).T.copy()
    spectra = here.delay * (here.drive @ response + here.grid.level * constant[:, here.grid.band])
    return replace(here, common=replace(here.common, gain=gain), response=response, spectra=spectra)


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
