"""How a stage looks at a take: which bands, through which window, on which bins.

docs/inference.md, "Model" and "Stages".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import BANDS, GLIDE_TIME, RESIDUAL, STRENGTH
from drumtune.advice.inversion.model import Grid, HeadModel, State
from drumtune.advice.inversion.solve import Data
from drumtune.advice.inversion.start import bins, family_frequencies
from drumtune.dsp.tap_spectra import Taps, Window, spectra

Array = NDArray[np.float64]
PLENTY = 24
"""Taps beyond which more do not count for more while the model does not fit yet: its errors are the same in all."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage: bands, window, spacing of bins (Hz), steps, tightness of the small unknowns, relative noise."""

    bands: int
    window: Window
    spacing: float
    steps: int
    tightness: float
    noise: float


@dataclass(frozen=True, slots=True)
class Take:
    """The taps and the loudness of each against the loudest, shape (S,): their glide goes with it."""

    taps: Taps
    loudness: Array


def look(model: HeadModel, take: Take, state: State, stage: Stage, seen: int) -> tuple[Grid, Data]:
    """Spectra on the bins of a stage, of the bands from `seen` on; weights one, less where there are many taps."""
    frequency, band = bins(family_frequencies(model, state.common), stage.bands, stage.spacing)
    frequency, band = frequency[band >= seen], band[band >= seen]
    data = observe(model, take, state, frequency, stage.window)
    unit = np.exp(-state.own[:, STRENGTH, None])
    level = np.ones(len(BANDS))
    for b in np.unique(band):
        level[b] = np.sqrt(np.mean(np.abs(data.spectra[:, band == b] * unit) ** 2))
    data.weight *= min(PLENTY / unit.size, 1.0)
    return Grid(frequency, band, stage.window.damping, level[band]), data


def observe(model: HeadModel, take: Take, state: State, frequency: Array, window: Window) -> Data:
    """Spectra of the taps at `frequency` with the state's glide taken out by warping time; weights one."""
    glide = float(state.common[model.at.glide][0])
    sound, slope = spectra(take.taps, frequency, window, glide * take.loudness, GLIDE_TIME)
    return Data(sound, slope * take.loudness[:, None], glide, np.ones(sound.shape))


def at_grid(state: State, grid: Grid) -> State:
    """The state on another grid: gains one, no constant residuals."""
    own = state.own.copy()
    own[:, RESIDUAL] = 0.0
    return State(state.common.copy(), own, np.ones(grid.frequency.size, complex))
