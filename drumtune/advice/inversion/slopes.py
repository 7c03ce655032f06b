"""Slopes of the predicted spectra by every unknown, for Gauss-Newton steps. Shapes as in the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import Band, contact_by_stiffness, contact_slope, directions
from drumtune.advice.inversion.blocks import block_slopes
from drumtune.advice.inversion.layout import ANGLE, CONTACT, DELAY, LOCALS, RADIUS, RESIDUAL, SHAPE, STRENGTH, modes
from drumtune.advice.inversion.model import Forward, Grid, HeadModel, Modal, weighted

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(slots=True)
class Slopes:
    """Slopes of the spectra, bins' gains left out, by the common unknowns (G, S, K) and the taps' own (S, L, K)."""

    common: Complex
    own: Complex


def linearise(model: HeadModel, here: Forward, weight: Complex | float = 1.0, since: int = 0) -> Slopes:
    """Slopes of the spectra, times a weight (S, K), at a point of which `here` is what the model makes.

    Where the head and the taps are held, only bands from `since` on move: the slopes are theirs.
    """
    grid, (taps, bins) = here.grid, here.spectra.shape
    shape_slopes, inner_slopes = block_slopes(here.blocks, model.fields)
    by_field = here.shapes @ shape_slopes[:, :, : grid.used]
    slopes = Slopes(np.zeros((model.at.size, taps, bins), complex), np.zeros((taps, LOCALS, bins), complex))
    for band, inner in zip(here.bands[since:], inner_slopes[since:], strict=False):
        _add_common(model, here, band, inner, by_field, slopes.common)
        _add_own(model, here, band, slopes.own)
    slopes.common[model.at.reach.start] = slopes.own[:, RADIUS]
    slopes.own[:, RESIDUAL] = _residual_slopes(grid)
    delay, spectra = here.delay * weight, here.spectra * weight
    slopes.common *= delay
    slopes.own *= delay[:, None, :]
    slopes.own[:, STRENGTH], slopes.own[:, DELAY] = spectra, -1e-3 * grid.s * spectra
    return slopes


def _add_common(
    model: HeadModel, here: Forward, band: Band, inner_slopes: Array, by_field: Array, out: Complex
) -> None:
    """A band's part of the slopes by the common unknowns: how its responses move, and how the taps drive it."""
    slot, half, fields = band.table.slot, modes().count, inner_slopes.shape[0]
    drive, response, s = here.drive[:, slot], here.response[slot], here.grid.s
    by = directions(band, here.common, inner_slopes, model.at)
    pushed = _times(by.stiff_by, response)
    if band.table.mixed:
        pushed += _times(by.turned_by, response) * s
    force = np.concatenate([pushed, _times(by.loss_by, response) * s])
    moved = -np.matmul(band.response, force.transpose(2, 1, 0)) / band.scale
    moved[:, :, : by.louder.size] += response.T[:, :, None] * by.louder
    driven = contact_by_stiffness(band, by.stiff_by, here.values[:, slot])
    driven[:fields] += np.matmul(band.weight, by_field[:, :, slot, None])[..., 0]
    added = _times(drive, np.ascontiguousarray(moved.transpose(2, 1, 0)))
    added[: len(by.stiff_at)] += _times(driven, response)
    out[by.stiff_at + by.loss_at] += added
    gained = _by_gain(here, band)
    at = model.at.gain.start + slot.start
    out[at : at + band.table.family.size] = gained
    out[at + half : at + half + band.table.family.size] = 1j * gained


def by_gains(here: Forward, since: int = 0) -> Complex:
    """Slopes of the spectra by the gains of the modes of bands from `since` on, (modes, S, K)."""
    return np.asarray(np.concatenate([_by_gain(here, band) for band in here.bands[since:]]) * here.delay)


def _by_gain(here: Forward, band: Band) -> Complex:
    return _times(here.drive[:, band.table.slot], np.ascontiguousarray(band.response.transpose(2, 1, 0)))


def _times(real: Array, lines: Complex) -> Complex:
    """Product of real matrices (..., n, d) and complex ones (..., d, K), contiguous."""
    product: Complex = np.matmul(real, lines.view(float)).view(complex)
    return product


def _add_own(model: HeadModel, here: Forward, band: Band, out: Complex) -> None:
    """A band's part of the slopes by the taps' own unknowns."""
    slot, weight = band.table.slot, band.weight
    response = here.response[slot]
    for place, values in (
        (RADIUS, weighted(weight, here.by_radius[:, slot])),
        (ANGLE, weighted(weight, here.by_angle[:, slot])),
        (CONTACT, weighted(contact_slope(band), here.values[:, slot])),
    ):
        out[:, place] += _times(values, response)
    out[:, SHAPE][:, slot] = model.shape_rms[slot][None, :, None] * _times(weight.transpose(0, 2, 1), response)


def _residual_slopes(grid: Grid) -> Complex:
    half = len(modes().slots)
    out = np.zeros((2 * half, grid.frequency.size), complex)
    for b in range(grid.bands):
        out[b] = np.where(grid.band == b, grid.level, 0.0)
        out[half + b] = 1j * out[b]
    return out


def modal(model: HeadModel, here: Forward) -> Modal:
    """Modes of the head at a point, of the bands in use."""
    _, inner_slopes = block_slopes(here.blocks, model.fields)
    common, used = here.common, here.drive.shape[1]
    frequency, rate, gain = np.empty(used), np.empty(used), np.empty(used, complex)
    slope, shapes = np.zeros((used, model.at.size)), np.empty((here.shapes.shape[1], used))
    for band, inner in zip(here.bands, inner_slopes, strict=False):
        v, slot = band.vectors, band.table.slot
        rate[slot] = 0.5 * np.einsum("ak,ab,bk->k", v, band.loss(common.rate[band.table.family]), v)
        frequency[slot] = band.frequency
        by = directions(band, common, inner, model.at)
        lifted = np.einsum("ak,qab,bk->kq", v, by.stiff_by, v)
        slope[slot.start : slot.stop, by.stiff_at] = lifted / (8.0 * np.pi**2 * band.frequency[:, None])
        shapes[:, slot] = here.blocks.shapes[:, slot] @ v
        gain[slot] = v.T @ common.gain[slot] * band.scale / (4.0 * np.pi * band.frequency)
    return Modal(frequency, rate, slope, shapes, gain)
