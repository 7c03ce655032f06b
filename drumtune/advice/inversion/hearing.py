"""What the fitted head says to an ear: modes with their decay, the pitch near each rod, the strongest lines there."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import contact_spectrum
from drumtune.advice.inversion.beliefs import Fit
from drumtune.advice.inversion.layout import CONTACT, FAMILIES, modes
from drumtune.advice.inversion.model import Modal
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.advice.inversion.slopes import modal
from drumtune.advice.reading import ModeReading

Array = NDArray[np.float64]
LINES = 6
"""Strongest lines told per rod."""
QUIETEST = -60.0
"""Lines weaker than this under the strongest of the take (dB) are not told."""


def heard_head(fit: Fit) -> Modal:
    """Modes of the fitted head."""
    return modal(fit.model, fit.point.here)


def mode_readings(fit: Fit, head: Modal) -> tuple[ModeReading, ...]:
    """Modes by frequency, with the frequency's standard deviation and decay (T60)."""
    family = modes().family
    sd = np.sqrt(np.einsum("kg,gh,kh->k", head.slope, fit.common_covariance, head.slope))
    found = [
        ModeReading(
            *FAMILIES[family[k]], float(head.frequency[k]), float(sd[k]), math.log(1000.0) / float(head.rate[k])
        )
        for k in range(head.frequency.size)
    ]
    return tuple(sorted(found, key=lambda mode: mode.frequency_hz))


def levels_at_rods(fit: Fit, head: Modal) -> Array:
    """Amplitude of each mode in the sound of a tap right at each rod's place, shape (rods, M)."""
    rods = fit.model.rods
    angles = 2.0 * math.pi * np.arange(rods) / rods
    values = shape_table()(np.full(rods, fit.model.tap_radius), angles)[0] @ head.shapes
    contact = 1e-3 * float(np.median(fit.point.state.own[:, CONTACT]))
    level: Array = np.abs(values * head.gain * contact_spectrum(head.frequency, np.array(contact)))
    return level


def heard_pitch(head: Modal, levels: Array) -> Array:
    """Energy-weighted pitch of the (1,1) pair at each rod, shape (rods,), Hz."""
    pair = modes().slots[1]
    energy = levels[:, pair] ** 2 / head.rate[pair]
    pitch: Array = np.exp(energy @ np.log(head.frequency[pair]) / energy.sum(axis=1))
    return pitch


def strongest_lines(head: Modal, levels: Array) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Strongest lines at each rod: frequency in Hz and level in dB under the strongest of the take."""
    decibel = 20.0 * np.log10(levels / levels.max())
    told: list[tuple[tuple[float, float], ...]] = []
    for row in decibel:
        order: Sequence[int] = np.argsort(-row)[:LINES].tolist()
        told.append(tuple((float(head.frequency[k]), float(row[k])) for k in order if row[k] > QUIETEST))
    return tuple(told)
