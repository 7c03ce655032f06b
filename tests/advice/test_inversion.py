"""The model of the inference: slopes, blocks, the valley of one-sided tension, and the search for the families."""

from __future__ import annotations

import numpy as np
import pytest
from takes_read import FOLDER, known

from drumtune.advice.explained import _prepared, _usable
from drumtune.advice.inversion.blocks import block_slopes, blocks
from drumtune.advice.inversion.families import find_families, folded
from drumtune.advice.inversion.layout import (
    CONTACT,
    FAMILIES,
    LOCALS,
    modes,
)
from drumtune.advice.inversion.model import Grid, HeadModel, State, forward
from drumtune.advice.inversion.newcomers import introduce
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.advice.inversion.slopes import linearise
from drumtune.advice.inversion.solve import valley
from drumtune.advice.inversion.stages import SCHEDULE, in_units, run_stage
from drumtune.advice.inversion.start import HeadSetup, Start, family_frequencies, first_prior, first_state
from drumtune.physics import modes as head_modes

RODS, SLIDE = 8, 0.3


def predict(model: HeadModel, state: State, grid: Grid) -> np.ndarray:
    """Spectra of the taps at a point."""
    return forward(model, state, grid).spectra


def a_point(seed: int = 0, *, rods: int = RODS) -> tuple[HeadModel, State, Grid]:
    """A model with a plausible random state and a grid over all bands."""
    rng = np.random.default_rng(seed)
    model = HeadModel.build(rods, np.repeat(2 * np.pi * np.arange(rods) / rods, 2), 0.7, SLIDE)
    table, at = modes(), model.at
    common = np.zeros(at.size)
    common[at.field] = 0.03 * rng.normal(size=rods - 1)
    common[at.scale], common[at.air] = np.log(80.0), np.log(1.1)
    common[at.offset] = 0.004 * rng.normal(size=len(FAMILIES))
    common[at.loss] = np.log(10.0)
    common[at.tilt] = 4e-4 * rng.normal(size=2 * len(table.doublets))
    common[at.gain] = rng.normal(size=2 * table.count)
    lines = 80.0 * table.zero / np.sqrt(1.0 + 1.1 * table.chi)
    own = 0.02 * rng.normal(size=(model.angles.size, LOCALS))
    own[:, CONTACT] = 1.8
    frequency = np.concatenate([np.linspace(0.98 * f, 1.02 * f, 5) for f in lines])
    band = np.repeat([0, 1, 2, 2, 3, 4, 5, 6, 6, 6], 5)
    grid = Grid(frequency, band, 4.0, np.ones(frequency.size))
    return model, State(common, own, np.ones(frequency.size, complex)), grid


def test_block_slopes_are_differences_of_blocks():
    model, state, _ = a_point()
    k = head_modes.even_stiffness() + np.tensordot(state.common[model.at.field], model.fields, 1)
    shapes, inner = block_slopes(blocks(k), model.fields)
    step = 1e-5
    for q, field in enumerate(model.fields):
        up, down = blocks(k + step * field), blocks(k - step * field)
        by_shape = (up.shapes - down.shapes) / (2 * step)
        assert np.max(np.abs(by_shape - shapes[q])) < 1e-6 * np.max(np.abs(by_shape))
        largest = max(float(np.max(np.abs(slope[q]))) for slope in inner)
        for place, slope in enumerate(inner):
            by_inner = (up.stiffness[place] - down.stiffness[place]) / (2 * step)
            assert np.max(np.abs(by_inner - slope[q])) < 1e-6 * largest


@pytest.mark.parametrize("name", ["field", "scale", "air", "offset", "loss", "tilt", "loss_tilt", "gain", "reach"])
def test_slopes_by_common_unknowns_are_differences_of_spectra(name):
    model, state, grid = a_point()
    slopes, part = linearise(model, forward(model, state, grid)), getattr(model.at, name)
    for i in range(part.start, part.stop):
        step = 1e-6 * max(1.0, abs(state.common[i]))
        ahead, behind = (State(state.common.copy(), state.own, state.gain) for _ in range(2))
        ahead.common[i] += step
        behind.common[i] -= step
        by = (predict(model, ahead, grid) - predict(model, behind, grid)) / (2 * step)
        assert np.max(np.abs(by - slopes.common[i])) <= 1e-5 * np.max(np.abs(by)) + 1e-9


def test_slopes_by_a_taps_own_unknowns_are_differences_of_spectra():
    model, state, grid = a_point(1)
    slopes, step = linearise(model, forward(model, state, grid)), 1e-6
    for i in range(LOCALS):
        ahead, behind = (State(state.common, state.own.copy(), state.gain) for _ in range(2))
        ahead.own[:, i] += step
        behind.own[:, i] -= step
        by = (predict(model, ahead, grid) - predict(model, behind, grid)) / (2 * step)
        assert np.max(np.abs(by - slopes.own[:, i])) <= 2e-3 * np.max(np.abs(by)) + 1e-9


@pytest.mark.parametrize("which", [0, 1])
def test_one_sided_tension_is_a_displacement_of_the_taps(which):
    # the closed form of docs/inference.md against the Galerkin modes: what remains is of second order
    model, state, grid = a_point(2)
    state.common[model.at.field] = 0.0
    state.own[:] = 0.0
    state.own[:, CONTACT] = 1.8
    before = predict(model, state, grid)

    def left(amount: float) -> float:
        moved = State(state.common.copy(), state.own + amount * valley(model)[:, :, which], state.gain)
        moved.common[which] = amount
        return float(np.linalg.norm(predict(model, moved, grid) - before) / np.linalg.norm(before))

    alone = State(state.common.copy(), state.own, state.gain)
    alone.common[which] = 0.005
    plain = float(np.linalg.norm(predict(model, alone, grid) - before) / np.linalg.norm(before))
    assert left(0.005) < 0.25 * plain
    assert left(0.005) / left(0.01) == pytest.approx(0.25, abs=0.03)  # a quarter: of second order


def test_shape_table_agrees_with_the_basis():
    r, theta = np.linspace(0.25, 0.99, 9), np.linspace(0.0, 6.0, 9)
    for fast, slow in zip(shape_table()(r, theta), head_modes.shapes(r, theta), strict=True):
        assert np.max(np.abs(fast - slow)) < 1e-3


@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.flac")))
def test_families_are_found_blind(name):
    it = known(name)
    take, angles, _ = _prepared(it.samples, it.rate, it.taps, _usable(it.taps)[0], it.drum)
    load = 2 * 1.204 * it.drum.head.radius / it.drum.head.surface_density
    found = find_families(take.taps, angles, it.drum.rods, load, 60.0, 900.0)
    f = it.modes_hz
    truth = np.array([f[1:3].mean(), f[3:5].mean(), f[6:8].mean(), f[8:10].mean(), f[10:12].mean()])
    assert np.max(np.abs(found.families[[1, 2, 4, 5, 6]] / truth - 1.0)) < 0.015
    assert found.clarity > 0.6


@pytest.mark.parametrize(("m", "rods", "order"), [(1, 8, 1), (5, 8, 3), (4, 8, 4), (4, 6, 2), (3, 5, 2), (5, 5, 0)])
def test_orders_fold_at_half_the_rods(m, rods, order):
    assert folded(m, rods) == order


@pytest.mark.parametrize("off", [-0.02, 0.02])
@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.flac")))
def test_a_new_band_is_found_though_its_first_guess_is_wrong(name, off):
    # (4,1) is two to five widths of its line away from where it is first looked for
    it = known(name)
    take, angles, _ = _prepared(it.samples, it.rate, it.taps, _usable(it.taps)[0], it.drum)
    load = 2 * 1.204 * it.drum.head.radius / it.drum.head.surface_density
    found = find_families(take.taps, angles, it.drum.rods, load, 60.0, 900.0)
    found.families[6] = it.modes_hz[10:12].mean() * (1.0 + off)
    model = HeadSetup(it.drum.rods, angles, it.drum.tap_radius).model(0.25)
    start = Start(found.families, found.air)
    prior = first_prior(model, start)
    take, state = in_units(model, take, first_state(model, prior, start))
    for stage, seen in zip(SCHEDULE[:2], (0, 3), strict=True):
        state = run_stage(model, take, state, prior, stage, seen).state
    assert family_frequencies(model, state.common)[6] == pytest.approx(found.families[6])  # left where it was found
    state = introduce(model, take, state, prior, SCHEDULE[2], 5)
    assert family_frequencies(model, state.common)[6] == pytest.approx(it.modes_hz[10:12].mean(), rel=0.004)
