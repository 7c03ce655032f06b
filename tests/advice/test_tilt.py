"""One-sided tension as a take alone has it, against the truth of recordings that other code made (tests/data/taps)."""

import numpy as np
import pytest
import takes_read


def truth(name):
    """Amplitudes of cos theta and sin theta in the true pulls."""
    cents = takes_read.known(name).cents
    angles = 2.0 * np.pi * np.arange(cents.size) / cents.size
    return 2.0 / cents.size * np.array([np.cos(angles), np.sin(angles)]) @ cents


@pytest.mark.parametrize("name", ["take01", "take04", "take08"])
def test_the_tilt_of_a_take_is_true_within_what_it_says(name):
    """Two numbers: 9.2 is passed by chance in one of a hundred (chi-squared of two)."""
    tilt = takes_read.reading(name).tilt
    off = tilt.cents - truth(name)
    assert off @ np.linalg.solve(tilt.covariance, off) < 9.2


@pytest.mark.parametrize("name", ["take01", "take04", "take08"])
def test_without_the_belief_less_is_known(name):
    """A law: information taken out leaves more deviation than the reading states of harmonic 1."""
    reading = takes_read.reading(name)
    angles = reading.drum.rod_angles
    circle = 2.0 / angles.size * np.array([np.cos(angles), np.sin(angles)])
    assert np.trace(reading.tilt.covariance) > np.trace(circle @ reading.covariance @ circle.T)
    assert np.linalg.eigvalsh(reading.tilt.covariance).min() > 0.0
