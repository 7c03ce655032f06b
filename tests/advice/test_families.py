"""Modes named by the ratios of a head with air."""

import numpy as np
import pytest

from drumtune.advice.families import FAMILIES, name_modes, ratios

INCH = 0.0254


def test_without_air_the_ratios_are_those_of_bessel_zeros():
    """j21/j11 = 5.13562/3.83171 and so on (Abramowitz & Stegun table 9.5); a heavy film feels no air."""
    heavy = ratios(0.15, 1000.0)
    assert heavy[1] == pytest.approx(5.13562 / 3.83171, rel=1e-4)
    assert heavy[3] == pytest.approx(6.38016 / 3.83171, rel=1e-4)


def test_a_timpano_head_has_rossings_ratios():
    """f_m1/f_11 = 1.48, 1.92, 2.36 measured without a kettle (Rossing 1982, as quoted by Jones), 2 %."""
    found = dict(zip(FAMILIES, ratios(0.328, 0.262), strict=True))
    assert [found[m, 1] for m in (2, 3, 4)] == pytest.approx([1.48, 1.92, 2.36], rel=0.02)


def test_a_sequence_is_named_and_the_strong_low_line_is_the_fundamental():
    lines = np.concatenate([[120.0], 200.0 * ratios(6 * INCH)[[0, 1, 3]]])
    named = name_modes(lines, np.array([0.0, -3.0, -6.0, -9.0]), 6 * INCH)
    assert named == ((0, 1), (1, 1), (2, 1), (3, 1))


def test_nothing_is_named_without_a_diameter_or_a_sequence():
    lines = np.array([100.0, 171.0, 333.0])
    assert name_modes(lines, np.zeros(3), None) == (None, None, None)
    assert name_modes(lines, np.zeros(3), 6 * INCH) == (None, None, None)
    assert name_modes(lines[:1], np.zeros(1), 6 * INCH) == (None,)


def test_a_likeness_without_a_fundamental_is_not_named():
    lines = 90.0 * ratios(7 * INCH)[[0, 1, 3, 6]]
    assert name_modes(lines, np.zeros(4), 7 * INCH) == (None,) * 4
