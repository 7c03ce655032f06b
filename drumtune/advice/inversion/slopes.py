"""Slopes of the predicted spectra by every unknown, for Gauss-Newton steps. Shapes as in the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import (
    Band,
    Common,
    band_at,
    contact_by_stiffness,
    contact_slope,
    directions,
)
from drumtune.advice.inversion.blocks import block_slopes
from drumtune.advice.inversion.layout import (
    ANGLE,
    CONTACT,
    DELAY,
    LOCALS,
    RADIUS,
    RESIDUAL,
    SHAPE,
    STRENGTH,
    modes,
)
from drumtune.advice.inversion.model import (
    Grid,
    HeadModel,
    Modal,
    State,
    answer,
    assembled,
    contacts,
    places,
    stiffness,
    weighted,
)
from drumtune.advice.inversion.shape_table import shape_table

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(slots=True)
class Slopes:
    """Spectra (S, K) without the bins' gains, slopes by the common unknowns (S, G, K) and the taps' own (S, L, K)."""

    spectra: Complex
    common: Complex
    own: Complex


class _Making:
    """Slopes in the making: of the mode responses (M, G, K) and of the shape values (G, S, M); all of one point."""

    def __init__(self, model: HeadModel, state: State, grid: Grid) -> None:
        taps, bins, used = model.angles.size, grid.frequency.size, grid.used
        self.common = Common.read(state.common, model.at)
        found, self.shape_slopes, self.inner_slopes = block_slopes(stiffness(model, state), model.fields)
        self.inner = found.stiffness
        shapes = shape_table()(*places(model, state))
        self.values, self.by_radius, self.by_angle = (each @ found.shapes[:, :used] for each in shapes)
        self.values += state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
        self.by_field = shapes[0] @ self.shape_slopes[:, :, :used]
        self.response_slope = np.zeros((used, model.at.size, bins), complex)
        self.drive_slope = np.zeros((model.at.size, taps, used))
        self.drive, self.outward, self.round, self.longer = (np.empty((taps, used)) for _ in range(4))
        self.response = np.empty((used, bins), complex)
        self.own = np.zeros((taps, LOCALS, bins), complex)

    def total(self) -> Complex:
        """Product rule over the sum of modes: slopes by the common unknowns, (S, G, K)."""
        taps, used = self.drive.shape
        _, size, bins = self.response_slope.shape
        flat = self.response_slope.view(float).reshape(used, -1)
        total: Complex = (self.drive @ flat).reshape(taps, size, 2 * bins).view(complex)
        moved = np.flatnonzero(np.any(self.drive_slope != 0.0, axis=(1, 2)))
        pushed = self.drive_slope[moved].transpose(1, 0, 2).reshape(-1, used) @ self.response.view(float)
        total[:, moved] += pushed.reshape(taps, moved.size, 2 * bins).view(complex)
        return total


def linearise(model: HeadModel, state: State, grid: Grid) -> Slopes:
    """Spectra and their slopes at a point."""
    making = _Making(model, state, grid)
    contact = contacts(state)
    for place in range(grid.bands):
        band = band_at(place, making.common, making.inner[place], grid.s, contact)
        _add_responses(model, grid, making, band, making.inner_slopes[place])
        _add_drives(model, making, band)
    making.drive_slope[model.at.reach] += making.outward
    spectra, delay = assembled(state, grid, making.drive, making.response)
    own = making.own
    own[:, RADIUS], own[:, ANGLE] = making.outward @ making.response, making.round @ making.response
    own[:, CONTACT] = making.longer @ making.response
    own[:, RESIDUAL] = _residual_slopes(grid)
    own *= delay[:, None, :]
    own[:, STRENGTH], own[:, DELAY] = spectra, -1e-3 * grid.s * spectra
    common = making.total()
    common *= delay[:, None, :]
    return Slopes(spectra, common, own)


def _add_responses(model: HeadModel, grid: Grid, making: _Making, band: Band, inner_slopes: Array) -> None:
    """Slopes of a band's responses by what moves its stiffness, its loss and its gains."""
    slot, common, half = band.table.slot, making.common, modes().count
    response = answer(band, common)
    making.response[slot] = response
    by = directions(band, common, inner_slopes, model.at)
    pushed = by.stiff_by @ response
    if band.table.mixed:
        pushed = pushed + by.turned_by @ response * grid.s
    force = np.concatenate([pushed, by.loss_by @ response * grid.s])
    moved = -np.matmul(band.response, force.transpose(2, 1, 0)) / band.scale
    moved[:, :, : by.louder.size] += response.T[:, :, None] * by.louder
    making.response_slope[slot, by.stiff_at + by.loss_at] = moved.transpose(1, 2, 0)
    for k in range(band.table.family.size):
        at = model.at.gain.start + slot.start + k
        making.response_slope[slot, at] = band.response[:, :, k].T
        making.response_slope[slot, at + half] = 1j * band.response[:, :, k].T
    making.drive_slope[by.stiff_at, :, slot] = contact_by_stiffness(band, by.stiff_by, making.values[:, slot])


def _add_drives(model: HeadModel, making: _Making, band: Band) -> None:
    """Shape values of a band at the taps, weighted by their contacts, and their slopes."""
    slot, weight = band.table.slot, band.weight
    making.drive[:, slot] = weighted(weight, making.values[:, slot])
    making.outward[:, slot] = weighted(weight, making.by_radius[:, slot])
    making.round[:, slot] = weighted(weight, making.by_angle[:, slot])
    making.longer[:, slot] = weighted(contact_slope(band), making.values[:, slot])
    making.drive_slope[model.at.field, :, slot] += np.matmul(weight, making.by_field[:, :, slot, None])[..., 0]
    shape = model.shape_rms[slot][None, :, None] * np.matmul(weight.transpose(0, 2, 1), making.response[slot])
    making.own[:, SHAPE][:, slot] = shape


def _residual_slopes(grid: Grid) -> Complex:
    half = len(modes().slots)
    out = np.zeros((2 * half, grid.frequency.size), complex)
    for b in range(grid.bands):
        out[b] = np.where(grid.band == b, grid.level, 0.0)
        out[half + b] = 1j * out[b]
    return out


def modal(model: HeadModel, state: State, grid: Grid) -> Modal:
    """Modes of the head at a point, of the bands in use."""
    found, _, inner_slopes = block_slopes(stiffness(model, state), model.fields)
    common, used = Common.read(state.common, model.at), grid.used
    frequency, rate, gain = np.empty(used), np.empty(used), np.empty(used, complex)
    slope, shapes = np.zeros((used, model.at.size)), np.empty((found.shapes.shape[0], used))
    for place in range(grid.bands):
        band = band_at(place, common, found.stiffness[place], grid.s, contacts(state))
        v, slot = band.vectors, band.table.slot
        rate[slot] = 0.5 * np.einsum("ak,ab,bk->k", v, band.loss(common.rate[band.table.family]), v)
        frequency[slot] = band.frequency
        by = directions(band, common, inner_slopes[place], model.at)
        lifted = np.einsum("ak,qab,bk->kq", v, by.stiff_by, v)
        slope[slot.start : slot.stop, by.stiff_at] = lifted / (8.0 * np.pi**2 * band.frequency[:, None])
        shapes[:, slot] = found.shapes[:, slot] @ v
        gain[slot] = v.T @ common.gain[slot] * band.scale / (4.0 * np.pi * band.frequency)
    return Modal(frequency, rate, slope, shapes, gain)
