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
    """Slopes in the making, of one point: what the bands add to them."""

    def __init__(self, model: HeadModel, state: State, grid: Grid) -> None:
        taps, bins, used = model.angles.size, grid.frequency.size, grid.used
        self.read = Common.read(state.common, model.at)
        found, shape_slopes, self.inner_slopes = block_slopes(stiffness(model, state), model.fields)
        self.inner = found.stiffness
        shapes = shape_table()(*places(model, state))
        self.values, self.by_radius, self.by_angle = (each @ found.shapes[:, :used] for each in shapes)
        self.values += state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
        self.by_field = shapes[0] @ shape_slopes[:, :, :used]
        self.drive, self.response = np.empty((taps, used)), np.empty((used, bins), complex)
        self.common = np.zeros((taps, model.at.size, bins), complex)
        self.own = np.zeros((taps, LOCALS, bins), complex)


def linearise(model: HeadModel, state: State, grid: Grid) -> Slopes:
    """Spectra and their slopes at a point."""
    making = _Making(model, state, grid)
    contact = contacts(state)
    for place in range(grid.bands):
        band = band_at(place, making.read, making.inner[place], grid.s, contact)
        slot = band.table.slot
        making.drive[:, slot] = weighted(band.weight, making.values[:, slot])
        making.response[slot] = answer(band, making.read)
        _add_common(model, grid, making, band, making.inner_slopes[place])
        _add_own(model, making, band)
    spectra, delay = assembled(state, grid, making.drive, making.response)
    making.common[:, model.at.reach.start] = making.own[:, RADIUS]
    making.own[:, RESIDUAL] = _residual_slopes(grid)
    making.common *= delay[:, None, :]
    making.own *= delay[:, None, :]
    making.own[:, STRENGTH], making.own[:, DELAY] = spectra, -1e-3 * grid.s * spectra
    return Slopes(spectra, making.common, making.own)


def _add_common(model: HeadModel, grid: Grid, making: _Making, band: Band, inner_slopes: Array) -> None:
    """A band's part of the slopes by the common unknowns: how its responses move, and how the taps drive it."""
    slot, half = band.table.slot, modes().count
    drive, response = making.drive[:, slot], making.response[slot]
    by = directions(band, making.read, inner_slopes, model.at)
    pushed = np.asarray(by.stiff_by @ response, np.complex128)
    if band.table.mixed:
        pushed = pushed + by.turned_by @ response * grid.s
    force = np.concatenate([pushed, by.loss_by @ response * grid.s])
    moved = -np.matmul(band.response, force.transpose(2, 1, 0)) / band.scale
    moved[:, :, : by.louder.size] += response.T[:, :, None] * by.louder
    driven = contact_by_stiffness(band, by.stiff_by, making.values[:, slot])
    driven[: inner_slopes.shape[0]] += np.matmul(band.weight, making.by_field[:, :, slot, None])[..., 0]
    added = _times(drive, moved.transpose(1, 2, 0))
    added[:, : len(by.stiff_at)] += driven.transpose(1, 0, 2) @ response
    making.common[:, by.stiff_at + by.loss_at] += added
    gained = _times(drive, band.response.transpose(1, 2, 0))
    at = model.at.gain.start + slot.start
    making.common[:, at : at + band.table.family.size] = gained
    making.common[:, at + half : at + half + band.table.family.size] = 1j * gained


def _times(drive: Array, responses: Complex) -> Complex:
    """What taps that drive modes by (S, d) make of responses (d, p, K): (S, p, K)."""
    flat = np.ascontiguousarray(responses).view(float).reshape(responses.shape[0], -1)
    product: Complex = (drive @ flat).reshape(drive.shape[0], responses.shape[1], -1).view(complex)
    return product


def _add_own(model: HeadModel, making: _Making, band: Band) -> None:
    """A band's part of the slopes by the taps' own unknowns."""
    slot, weight = band.table.slot, band.weight
    response = making.response[slot]
    making.own[:, RADIUS] += weighted(weight, making.by_radius[:, slot]) @ response
    making.own[:, ANGLE] += weighted(weight, making.by_angle[:, slot]) @ response
    making.own[:, CONTACT] += weighted(contact_slope(band), making.values[:, slot]) @ response
    shape = model.shape_rms[slot][None, :, None] * np.matmul(weight.transpose(0, 2, 1), response)
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
