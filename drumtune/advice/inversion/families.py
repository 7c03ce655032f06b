"""Where the families of modes lie: the start of the fit, found blind.

Round the head, mode (m, n) goes as cos or sin of m theta. A Fourier sum over the rods at each frequency tells how
much of the sound there has which circular order, so a family is looked for where its own order dominates. The even
head with air (two numbers: its scale and the weight of the air) ties the families together. docs/inference.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import FAMILIES, modes
from drumtune.dsp.tap_spectra import Taps, Window, plain_spectra

Array = NDArray[np.float64]
SCANNED = (0, 1, 2, 3, 4, 5, 6)
"""Families looked for, by place in FAMILIES; the rest follow from them."""
CANDIDATES = 6
"""Places of the families that are looked at, by score."""
CLEAR = 0.6
"""Clarity of the families at which the search ends; else the clearest place counts."""
_WIDTH = 0.02
"""Relative half width of the window a family is looked for in."""
_STEP = 1.0
"""Distance of the frequencies looked at, Hz."""
WINDOW = Window(9.0, 0.6)
"""Window through which circular orders are looked for."""


@dataclass(frozen=True, slots=True)
class Found:
    """Families (F,) in Hz, air parameter, and how clearly those that turn were found: 0 by chance ... 1 alone."""

    families: Array
    air: float
    clarity: float


@dataclass(frozen=True, slots=True)
class Orders:
    """Sound by circular order: frequencies (K,), total amplitude (K,), share of each order (O, K) above chance."""

    frequency: Array
    amplitude: Array
    share: Array

    @property
    def salience(self) -> Array:
        """Amplitude times share above chance, shape (O, K), never negative."""
        return self.amplitude * np.maximum(self.share, 0.0)


def circular_orders(taps: Taps, angles: Array, rods: int, top: float) -> Orders:
    """Split the taps' spectra up to `top` Hz by circular order 0...rods/2.

    Each tap is brought to the same level first. Repeated taps at a rod enter one by one, so their scatter counts as
    sound of no order.
    """
    frequency, sound = plain_spectra(taps, WINDOW, _STEP)
    wanted = (frequency > 40.0 - 0.5 * _STEP) & (frequency < min(top, 0.45 * taps.rate))
    frequency, sound = frequency[wanted], sound[:, wanted]
    sound = sound / np.sqrt(np.mean(np.abs(sound) ** 2, axis=1, keepdims=True))
    total = np.mean(np.abs(sound) ** 2, axis=0)
    share = []
    for order in range(rods // 2 + 1):
        sides = {order, (rods - order) % rods}
        power = sum(np.abs(np.mean(sound * np.exp(-1j * k * angles)[:, None], axis=0)) ** 2 for k in sides)
        share.append((power / total - len(sides) / rods) / (1.0 - len(sides) / rods))
    return Orders(frequency, np.sqrt(total), np.array(share))


def folded(m: int, rods: int) -> int:
    """Circular order that m nodal diameters look like at `rods` points."""
    return min(m % rods, rods - m % rods)


def even_families(scale: Array | float, air: Array | float) -> Array:
    """Frequencies of the even head's families, shape (..., F), Hz."""
    table = modes()
    lines: Array = np.asarray(scale)[..., None] * table.zero / np.sqrt(1.0 + np.asarray(air)[..., None] * table.chi)
    return lines


def find_families(taps: Taps, angles: Array, rods: int, air: float, lowest: float, highest: float) -> Found:
    """Find the families by a scan of scale and air weight, then by each one's own centre.

    Parameters
    ----------
    air
        Air parameter 2 rho a / sigma of an open head, a first guess.
    lowest, highest
        Range of (1,1) to look in, Hz.
    """
    orders = circular_orders(taps, angles, rods, 2.6 * highest)
    near = np.array([_windowed(orders.salience[folded(FAMILIES[f][0], rods)], orders.frequency) for f in SCANNED])
    near /= np.sqrt(np.mean(orders.amplitude**2))
    table = modes()
    weights = air * np.exp(np.linspace(-0.6, 0.5, 9))
    first = np.exp(np.arange(np.log(lowest), np.log(highest), 0.003))
    scale = first[:, None] * np.sqrt(1.0 + weights * table.chi[1]) / table.zero[1]
    lines = even_families(scale, weights)[..., list(SCANNED)]
    scores = sum(np.interp(lines[..., i], orders.frequency, near[i], right=0.0) for i in range(len(SCANNED)))
    found = []
    for at in _peaks(scores, first):
        found.append(_looked_at(orders, rods, lines[at], float(weights[at[1]])))
        if found[-1].clarity > CLEAR:
            return found[-1]
    return max(found, key=lambda each: each.clarity)


def _peaks(scores: Array, first: Array) -> Iterator[tuple[int, int]]:
    """Places of the best scores, each well away in frequency from those before it."""
    left = scores.copy()
    for _ in range(CANDIDATES):
        best = np.unravel_index(int(np.argmax(left)), left.shape)
        yield int(best[0]), int(best[1])
        left[np.abs(np.log(first / first[best[0]])) < 0.05] = -np.inf


def _looked_at(orders: Orders, rods: int, lines: Array, air: float) -> Found:
    families, found_air = _refined(orders, rods, lines, air)
    return Found(families, found_air, _clarity(orders, rods, families))


def _windowed(curve: Array, frequency: Array) -> Array:
    """Mean of a curve within the relative half width about each frequency."""
    total = np.concatenate([[0.0], np.cumsum(curve)])
    low = np.searchsorted(frequency, frequency * (1.0 - _WIDTH))
    high = np.searchsorted(frequency, frequency * (1.0 + _WIDTH))
    mean: Array = (total[high] - total[low]) / np.maximum(high - low, 1)
    return mean


def _refined(orders: Orders, rods: int, lines: Array, air: float) -> tuple[Array, float]:
    """Centre of each scanned family in its own order; those that stray follow the even head fitted to the others."""
    table, own = modes(), np.empty(len(SCANNED))
    for i, f in enumerate(SCANNED):
        salience = orders.salience[folded(FAMILIES[f][0], rods)]
        centre = lines[i]
        for _ in range(3):
            near = np.abs(orders.frequency / centre - 1.0) < (0.03 if FAMILIES[f][0] == 0 else 0.022)
            weight = salience[near] ** 2
            if weight.sum() <= 0.0:
                break
            centre = float(np.sum(weight * orders.frequency[near]) / weight.sum())
        own[i] = centre
    zero = table.zero[list(SCANNED)]
    implied = own / zero
    scale = float(np.median(implied[[1, 2, 4, 6]] * np.sqrt(1.0 + air * table.chi[[1, 2, 4, 6]])))
    families = even_families(scale, air)
    expected = families[list(SCANNED)]
    trusted = np.abs(own / expected - 1.0) < np.array([0.12, 0.025, 0.025, 0.05, 0.03, 0.03, 0.03])
    families[list(SCANNED)] = np.where(trusted, own, expected)
    return families, air


def _clarity(orders: Orders, rods: int, families: Array) -> float:
    """Share of the right order at the families that change sign round the head, mean weighted by amplitude."""
    turning = [f for f in SCANNED if folded(FAMILIES[f][0], rods)]
    rows = [folded(FAMILIES[f][0], rods) for f in turning]
    place = [int(np.argmin(np.abs(orders.frequency - families[f]))) for f in turning]
    amplitude = orders.amplitude[place]
    return float(np.sum(amplitude * orders.share[rows, place]) / np.sum(amplitude))
