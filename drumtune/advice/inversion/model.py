"""Predicted spectra of the taps of an uneven head, and their slopes by every unknown.

Band b of the head is a damped system of d modes: stiffness K, loss C, microphone gains g. Its response at the complex
frequency s is G(s) g with G = (s^2 + s C + K)^-1. A tap excites it with the values p of the band's shapes where it
lands, weighted by the spectrum of its contact at each mode's own frequency. One unknown gain per frequency bin, common
to all taps, stands for microphone and room. docs/inference.md, "Model". Rows are taps (S), columns bins (K).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from drumtune.advice.inversion.blocks import block_slopes, blocks
from drumtune.advice.inversion.layout import (
    ANGLE,
    CONTACT,
    DELAY,
    FADE,
    LOCALS,
    RADIUS,
    RESIDUAL,
    SHAPE,
    STRAY,
    STRENGTH,
    Globals,
    global_slices,
    modes,
)
from drumtune.physics import modes as head_modes
from drumtune.physics.stress import harmonics, rod_field

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
_NORM = 20.0
"""Response of a mode of decay rate 10/s at its peak is about one."""
_INNERMOST = 0.2
"""Smallest tap radius the shapes are tabulated for."""


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
    stray_band
        Band that holds a line foreign to the head, or -1.
    """

    frequency: Array
    band: NDArray[np.int64]
    damping: float
    level: Array
    stray_band: int = -1

    @property
    def s(self) -> Complex:
        """Complex frequency of each bin, 1/s."""
        return 2j * np.pi * self.frequency + self.damping

    @property
    def bands(self) -> int:
        """Number of bands in use, from the lowest."""
        return int(self.band.max()) + 1


@dataclass(slots=True)
class State:
    """A point of the fit: common unknowns (G,), each tap's own (S, LOCALS), gain of each bin (K,)."""

    common: Array
    own: Array
    gain: Complex


@dataclass(frozen=True, slots=True)
class HeadModel:
    """The drum as the fit knows it: rods, tap angles (S,), tap radius, stiffness of each field (Q, B, B)."""

    rods: int
    angles: Array
    tap_radius: float
    fields: Array
    at: Globals

    @classmethod
    def build(cls, rods: int, angles: Array, tap_radius: float, slide: float) -> HeadModel:
        """Set up the model; `slide` as in `drumtune.physics.stress`."""
        return cls(rods, angles, tap_radius, field_stiffness(rods, slide), global_slices(rods))

    @property
    def shape_rms(self) -> Array:
        """Root mean square of each mode's even shape on the tap circle, shape (M,)."""
        table, b = modes(), head_modes.basis()
        value = shape_table()(np.array([self.tap_radius]), np.zeros(1))[0][0]
        even = np.array([abs(value[b.index(int(b.m[i]), int(b.n[i]))[0]]) for i in table.member])
        return even * np.where(b.m[table.member] == 0, 1.0, np.sqrt(0.5))


@cache
def field_stiffness(rods: int, slide: float) -> Array:
    """Stiffness matrices of the rod harmonics, shape (rods - 1, B, B)."""
    return np.stack([head_modes.stiffness(rod_field(k, kind, rods, slide)) for k, kind in harmonics(rods)])


class ShapeTable:
    """Bessel shapes and slopes on the outer part of the head, by Chebyshev series in r (1e-6)."""

    def __init__(self, degree: int = 20) -> None:
        b = head_modes.basis()
        nodes = np.cos(np.pi * (np.arange(64) + 0.5) / 64)
        radius = _INNERMOST + (1.0 - _INNERMOST) * (nodes + 1.0) / 2.0
        radial = np.flatnonzero(b.kind == 0)
        values = head_modes.shapes(radius, np.zeros(64))[0][:, radial]
        self._series = chebyshev.chebfit(nodes, values, degree)
        self._slope = chebyshev.chebder(self._series) * 2.0 / (1.0 - _INNERMOST)
        self._radial = np.cumsum(b.kind == 0) - 1
        self._m, self._sine = b.m, b.kind == 1

    def __call__(self, r: Array, theta: Array) -> tuple[Array, Array, Array]:
        """Values and slopes by r and theta at points (P,), each (P, B); r is kept within the table."""
        x = 2.0 * (np.clip(r, _INNERMOST, 1.0) - _INNERMOST) / (1.0 - _INNERMOST) - 1.0
        powers = chebyshev.chebvander(x, len(self._series) - 1)
        value, slope = (powers @ self._series)[:, self._radial], (powers[:, :-1] @ self._slope)[:, self._radial]
        turn = np.outer(theta, np.arange(head_modes.MAX_ORDER + 1))
        cos, sin = np.cos(turn)[:, self._m], np.sin(turn)[:, self._m]
        angular = np.where(self._sine, sin, cos)
        turned = self._m * np.where(self._sine, cos, -sin)
        return value * angular, slope * angular, value * turned


@cache
def shape_table() -> ShapeTable:
    """The one table of shapes."""
    return ShapeTable()


def contact_spectrum(frequency: Array, contact: Array) -> Array:
    """Spectrum of a half-sine contact of length `contact` (s) at `frequency` (Hz), 1 at 0 Hz (broadcast)."""
    z = 2.0 * frequency * contact
    z = np.where(np.abs(z - 1.0) < 1e-6, 1.0 + 1e-6, z)
    return np.cos(0.5 * np.pi * z) / (1.0 - z * z)


def family_stiffness(model: HeadModel, common: Array) -> Array:
    """Factor from j^2 to angular frequency squared of each family, shape (F,), (rad/s)^2."""
    at, table = model.at, modes()
    scale, air = np.exp(common[at.scale][0]), np.exp(common[at.air][0])
    stiff: Array = (2.0 * np.pi * scale * (1.0 + common[at.offset])) ** 2 / (1.0 + air * table.chi)
    return stiff


@dataclass(frozen=True, slots=True)
class _Band:
    """One band at a point: stiffness, loss, response (K, d, d), contact weights (S, d, d), and what they came from."""

    place: int
    slot: slice
    family: NDArray[np.int64]
    even: Array
    stiffness: Array
    loss_basis: Array
    response: Complex
    mean: float
    values: Array
    vectors: Array
    weight: Array

    def loss(self, rates: Array) -> Array:
        """Loss matrix 2 V diag(V^2 alpha) V' of decay rates per mode's family (d,)."""
        v = self.loss_basis
        return (v * (2.0 * (v**2).T @ rates)) @ v.T


_TRACELESS = (np.array([[1.0, 0.0], [0.0, -1.0]]), np.array([[0.0, 1.0], [1.0, 0.0]]))


def _placed(size: int, inside: tuple[int, int], small: Array) -> Array:
    out = np.zeros((size, size))
    out[np.ix_(inside, inside)] = small
    return out


def _band(model: HeadModel, state: State, grid: Grid, place: int, inner: Array) -> _Band:
    """Matrices of one band."""
    table, at, common = modes(), model.at, state.common
    slot, stiff = table.slots[place], family_stiffness(model, common)
    family = table.family[slot]
    size = family.size
    root = np.sqrt(stiff[family])
    even = inner * np.outer(root, root)
    k, extra = even.copy(), np.zeros((size, size))
    rate = np.exp(common[at.loss])
    tilt, loss_tilt = common[at.tilt].reshape(-1, 2), common[at.loss_tilt].reshape(-1, 2)
    for d, (band, f, inside) in enumerate(table.doublets):
        if band == place:
            for c, small in enumerate(_TRACELESS):
                k += _placed(size, inside, 2.0 * table.zero[f] ** 2 * stiff[f] * tilt[d, c] * small)
                extra += _placed(size, inside, 2.0 * rate[f] * loss_tilt[d, c] * small)
    values, vectors = np.linalg.eigh(k)
    basis = vectors if len(set(family.tolist())) > 1 else np.eye(size)
    loss = (basis * (2.0 * (basis**2).T @ rate[family])) @ basis.T + extra
    mean = float(np.mean(table.zero[family] ** 2 * stiff[family]))
    s = grid.s
    response = np.linalg.inv((s**2)[:, None, None] * np.eye(size) + s[:, None, None] * loss + k)
    response *= _NORM * np.sqrt(mean)
    own = np.sqrt(np.maximum(values, 1.0)) / (2.0 * np.pi)
    lobe = contact_spectrum(own, 1e-3 * state.own[:, CONTACT, None])
    weight = (vectors * lobe[:, None, :]) @ vectors.T
    return _Band(place, slot, family, even, k, basis, response, mean, own, vectors, weight)


@dataclass(frozen=True, slots=True)
class Prediction:
    """Spectra without the bins' gains, shape (S, K), and what the slopes need."""

    spectra: Complex
    delay: Complex
    stray: Complex


def _times(weight: Array, values: Array) -> Array:
    """Weighted shape values: (S, d, d) times (S, d) -> (S, d)."""
    return np.matmul(weight, values[:, :, None])[:, :, 0]


def _mode_response(model: HeadModel, state: State, band: _Band) -> Complex:
    gain = _gains(model, state)[band.slot]
    return (band.response @ gain).T


def _gains(model: HeadModel, state: State) -> Complex:
    half = modes().count
    both = state.common[model.at.gain]
    return both[:half] + 1j * both[half:]


def _places(model: HeadModel, state: State) -> tuple[Array, Array]:
    """Where the taps landed: radius and angle, shape (S,)."""
    return (
        model.tap_radius + state.common[model.at.reach] + state.own[:, RADIUS],
        model.angles + state.own[:, ANGLE],
    )


def _assembled(state: State, grid: Grid, drive: Array, response: Complex, stray: Complex) -> Prediction:
    """Spectra from shape values (S, M) and mode responses (M, K)."""
    half = len(modes().slots)
    constant = state.own[:, RESIDUAL]
    constant = constant[:, :half] + 1j * constant[:, half:]
    foreign = state.own[:, STRAY] @ np.array([1.0, 1j])
    delay = np.exp(state.own[:, STRENGTH, None] - 1e-3 * np.outer(state.own[:, DELAY], grid.s))
    inside = drive @ response + grid.level * (constant[:, grid.band] + foreign[:, None] * stray)
    return Prediction(delay * inside, delay, stray)


def stray_line(model: HeadModel, state: State, grid: Grid) -> Complex:
    """Response of the foreign line in its band, shape (K,), 1 at its peak; zero where there is none."""
    if grid.stray_band < 0:
        return np.zeros(grid.frequency.size, complex)
    place, log_rate = state.common[model.at.stray]
    rate = np.exp(log_rate)
    line: Complex = (rate + grid.damping) / (grid.s + rate - 2j * np.pi * place)
    return np.where(grid.band == grid.stray_band, line, 0.0)


def predict(model: HeadModel, state: State, grid: Grid) -> Complex:
    """Spectra of the taps without the bins' gains, shape (S, K)."""
    found = blocks(_stiffness(model, state))
    used = modes().slots[grid.bands - 1].stop
    radius, angle = _places(model, state)
    values = shape_table()(radius, angle)[0] @ found.shapes[:, :used]
    values = values + state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
    drive, response = np.empty_like(values), np.empty((used, grid.frequency.size), complex)
    for place in range(grid.bands):
        band = _band(model, state, grid, place, found.stiffness[place])
        drive[:, band.slot] = _times(band.weight, values[:, band.slot])
        response[band.slot] = _mode_response(model, state, band)
    return _assembled(state, grid, drive, response, stray_line(model, state, grid)).spectra


def _stiffness(model: HeadModel, state: State) -> Array:
    total: Array = head_modes.even_stiffness() + np.tensordot(state.common[model.at.field], model.fields, 1)
    return total


@dataclass(slots=True)
class Slopes:
    """Spectra (S, K) without the bins' gains, slopes by the common unknowns (S, G, K) and the taps' own (S, L, K)."""

    spectra: Complex
    common: Complex
    own: Complex


class _Collector:
    """Slopes in the making: of the mode responses (M, G, K) and of the shape values (G, S, M)."""

    def __init__(self, size: int, taps: int, used: int, bins: int) -> None:
        self.response = np.zeros((used, size, bins), complex)
        self.drive = np.zeros((size, taps, used))

    def slopes(self, drive: Array, response: Complex) -> Complex:
        """Product rule over the sum of modes, (S, G, K)."""
        taps, used = drive.shape
        _, size, bins = self.response.shape
        flat = self.response.view(float).reshape(used, -1)
        total: Complex = (drive @ flat).reshape(taps, size, 2 * bins).view(complex)
        moved = np.flatnonzero(np.any(self.drive != 0.0, axis=(1, 2)))
        pushed = self.drive[moved].transpose(1, 0, 2).reshape(-1, used) @ response.view(float)
        total[:, moved] += pushed.reshape(taps, moved.size, 2 * bins).view(complex)
        return total


def linearise(model: HeadModel, state: State, grid: Grid) -> Slopes:
    """Spectra and their slopes at a point."""
    found, shape_slopes, inner_slopes = block_slopes(_stiffness(model, state), model.fields)
    used = modes().slots[grid.bands - 1].stop
    radius, angle = _places(model, state)
    shapes = shape_table()(radius, angle)
    c = found.shapes[:, :used]
    values, by_radius, by_angle = (each @ c for each in shapes)
    values = values + state.own[:, SHAPE][:, :used] * model.shape_rms[:used]
    by_field = shapes[0] @ shape_slopes[:, :, :used]
    taps, bins = model.angles.size, grid.frequency.size
    drive, outward, round_, longer = (np.empty((taps, used)) for _ in range(4))
    response = np.empty((used, bins), complex)
    slopes = _Collector(model.at.size, taps, used, bins)
    own = np.zeros((taps, LOCALS, bins), complex)
    faded = np.empty((used, bins), complex)
    for place in range(grid.bands):
        band = _band(model, state, grid, place, found.stiffness[place])
        slot = band.slot
        response[slot] = _mode_response(model, state, band)
        drive[:, slot] = _times(band.weight, values[:, slot])
        outward[:, slot] = _times(band.weight, by_radius[:, slot])
        round_[:, slot] = _times(band.weight, by_angle[:, slot])
        longer[:, slot] = _times(_contact_slope(band, state), values[:, slot])
        faded[slot] = _add_band(model, state, grid, band, inner_slopes[place], slopes, values[:, slot], response[slot])
        slopes.drive[model.at.field, :, slot] += np.matmul(band.weight, by_field[:, :, slot, None])[..., 0]
        shape = model.shape_rms[slot][None, :, None] * np.matmul(band.weight.transpose(0, 2, 1), response[slot])
        own[:, SHAPE][:, slot] = shape
    slopes.drive[model.at.reach] += outward
    done = _assembled(state, grid, drive, response, stray_line(model, state, grid))
    own[:, RADIUS], own[:, ANGLE], own[:, CONTACT] = outward @ response, round_ @ response, longer @ response
    own[:, FADE] = drive @ faded
    own[:, RESIDUAL] = _residual_slopes(grid)
    own[:, STRAY] = grid.level * done.stray * np.array([[1.0], [1j]])
    own *= done.delay[:, None, :]
    own[:, STRENGTH], own[:, DELAY] = done.spectra, -1e-3 * grid.s * done.spectra
    common = slopes.slopes(drive, response)
    _add_stray(model, state, grid, common)
    common *= done.delay[:, None, :]
    return Slopes(done.spectra, common, own)


def _contact_slope(band: _Band, state: State) -> Array:
    """Slope of the contact weights by contact time in ms, (S, d, d)."""
    step = 1e-6
    contact = 1e-3 * state.own[:, CONTACT, None]
    lobe = (contact_spectrum(band.values, contact + step) - contact_spectrum(band.values, contact)) / step * 1e-3
    return (band.vectors * lobe[:, None, :]) @ band.vectors.T


def _residual_slopes(grid: Grid) -> Complex:
    half = len(modes().slots)
    out = np.zeros((2 * half, grid.frequency.size), complex)
    for b in range(grid.bands):
        out[b] = np.where(grid.band == b, grid.level, 0.0)
        out[half + b] = 1j * out[b]
    return out


def _add_stray(model: HeadModel, state: State, grid: Grid, common: Complex) -> None:
    """Slopes by the place and rate of the foreign line."""
    if grid.stray_band < 0:
        return
    start, step = model.at.stray.start, 1e-5
    foreign = state.own[:, STRAY] @ np.array([1.0, 1j])
    here = stray_line(model, state, grid)
    for i in range(2):
        moved = State(state.common.copy(), state.own, state.gain)
        moved.common[start + i] += step
        common[:, start + i] += foreign[:, None] * grid.level * (stray_line(model, moved, grid) - here) / step


def _directions(
    model: HeadModel, state: State, band: _Band, inner: Array
) -> tuple[list[int], list[Array], list[int], list[Array]]:
    """Unknowns that move a band's stiffness, and how; unknowns that move its loss, and how."""
    table, at, common = modes(), model.at, state.common
    stiff, family, size = family_stiffness(model, common), band.family, band.family.size
    root, rate = np.sqrt(stiff[family]), np.exp(common[at.loss])
    air = np.exp(common[at.air][0])
    heavier = -air * table.chi / (1.0 + air * table.chi)
    stiff_at = list(range(at.field.start, at.field.stop))
    stiff_by = [each * np.outer(root, root) for each in inner]
    stiff_at += [at.scale.start, at.air.start]
    stiff_by += [2.0 * band.even, band.even * 0.5 * (heavier[family][:, None] + heavier[family])]
    loss_at: list[int] = []
    loss_by: list[Array] = []
    for f in sorted(set(family.tolist())):
        mine = (family == f).astype(float)
        stiff_at.append(at.offset.start + f)
        stiff_by.append(band.even * (mine[:, None] + mine) / (1.0 + common[at.offset][f]))
        loss_at.append(at.loss.start + f)
        loss_by.append(band.loss(rate[family] * mine))
    for d, (place, f, inside) in enumerate(table.doublets):
        if place == band.place:
            for c, small in enumerate(_TRACELESS):
                stiff_at.append(at.tilt.start + 2 * d + c)
                stiff_by.append(_placed(size, inside, 2.0 * table.zero[f] ** 2 * stiff[f] * small))
                loss_at.append(at.loss_tilt.start + 2 * d + c)
                loss_by.append(_placed(size, inside, 2.0 * rate[f] * small))
    return stiff_at, stiff_by, loss_at, loss_by


def _add_band(
    model: HeadModel,
    state: State,
    grid: Grid,
    band: _Band,
    inner: Array,
    slopes: _Collector,
    values: Array,
    response: Complex,
) -> Complex:
    """Add a band's part of the slopes; returns the response's slope by all losses together, (d, K)."""
    stiff_at, stiff_by, loss_at, loss_by = _directions(model, state, band, inner)
    stiffer, lossier = np.array(stiff_by), np.array(loss_by)
    total = band.loss(np.exp(state.common[model.at.loss])[band.family])
    force = np.concatenate([stiffer @ response, (np.concatenate([lossier, total[None]]) @ response) * grid.s])
    moved = -np.matmul(band.response, force.transpose(0, 2, 1)[..., None])[..., 0].transpose(0, 2, 1)
    moved /= _NORM * np.sqrt(band.mean)
    slopes.response[band.slot, stiff_at + loss_at] = moved[:-1].transpose(1, 0, 2)
    slopes.drive[stiff_at, :, band.slot] = _contact_by_stiffness(band, state) * (values @ (stiffer / band.mean))
    half = modes().count
    for k in range(band.family.size):
        column = band.response[:, :, k].T
        at = model.at.gain.start + band.slot.start + k
        slopes.response[band.slot, at] = column
        slopes.response[band.slot, at + half] = 1j * column
    return moved[-1]


def _contact_by_stiffness(band: _Band, state: State) -> Array:
    """Slope of the contact's lobe by relative stiffness at the band's middle, (S, 1)."""
    contact = 1e-3 * state.own[:, CONTACT, None]
    middle, step = np.sqrt(band.mean) / (2.0 * np.pi), 1e-4
    up, down = (contact_spectrum(middle * np.sqrt(1.0 + e), contact) for e in (step, -step))
    return (up - down) / (2.0 * step)


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


def modal(model: HeadModel, state: State, grid: Grid) -> Modal:
    """Modes of the head at a point, of the bands in use."""
    found, _, inner_slopes = block_slopes(_stiffness(model, state), model.fields)
    used = modes().slots[grid.bands - 1].stop
    frequency, rate = np.empty(used), np.empty(used)
    slope, shapes = np.zeros((used, model.at.size)), np.empty((found.shapes.shape[0], used))
    gain = np.empty(used, complex)
    for place in range(grid.bands):
        band = _band(model, state, grid, place, found.stiffness[place])
        v, slot = band.vectors, band.slot
        loss = band.loss(np.exp(state.common[model.at.loss])[band.family])
        rate[slot] = 0.5 * np.einsum("ak,ab,bk->k", v, loss, v)
        frequency[slot] = band.values
        stiff_at, stiff_by, _, _ = _directions(model, state, band, inner_slopes[place])
        lifted = np.einsum("ak,qab,bk->kq", v, np.array(stiff_by), v)
        slope[slot.start : slot.stop, stiff_at] = lifted / (8.0 * np.pi**2 * band.values[:, None])
        shapes[:, slot] = found.shapes[:, slot] @ v
        gain[slot] = v.T @ _gains(model, state)[slot] * _NORM * np.sqrt(band.mean) / (4.0 * np.pi * band.values)
    return Modal(frequency, rate, slope, shapes, gain)
