"""The Cramer-Rao bounds: closed forms against each other, against a plain Fisher matrix, and against check values."""

import numpy as np
import pytest
from line_bounds import complex_mode_bound, fisher_bounds, long_record_bounds


def test_complex_mode_bound_meets_its_check_value():
    # Worked out from the closed form (Yao & Pandit, IEEE Trans. SP 43(4), 1995; from memory): A = s2 = 1, N = 100.
    assert complex_mode_bound(1.0, 0.01, 100, noise_variance=1.0) == pytest.approx(1.6600339e-5, rel=1e-7)


@pytest.mark.parametrize(("decay", "samples"), [(0.01, 100), (0.001, 500), (0.2, 30)])
def test_complex_mode_bound_is_the_inverse_of_the_fisher_matrix(decay, samples):
    # Definition: F = (2/s2) Re(D^H D), D the derivatives of A exp((-a + i w) k + i p) by A, p, a, w.
    time = np.arange(samples)
    wave = 1.7 * np.exp((-decay + 0.3j) * time)
    slopes = np.column_stack([wave / 1.7, 1j * wave, -time * wave, 1j * time * wave])
    fisher = 2.0 / 0.4 * (slopes.conj().T @ slopes).real
    bound = complex_mode_bound(1.7, decay, samples, noise_variance=0.4)
    assert bound == pytest.approx(np.linalg.inv(fisher)[3, 3], rel=1e-6)


def test_long_record_bound_meets_its_check_value():
    # 48 kHz, 40 dB, T60 0.5 s: 1.05e-3 Hz and 0.048 %, worked out by hand from the formula, which is from memory.
    decay = 6.9078 / 0.5
    line_sd, decay_sd = long_record_bounds(1.0, decay, noise_sd=np.sqrt(0.5e-4), sample_rate=48000.0)
    assert line_sd == pytest.approx(1.05e-3, rel=0.01)
    assert decay_sd / decay == pytest.approx(0.048e-2, rel=0.01)


def test_long_record_bound_is_the_limit_of_the_fisher_matrix():
    line_sd, decay_sd = long_record_bounds(0.8, 20.0, noise_sd=0.01, sample_rate=8000.0)
    full = fisher_bounds(300.0, 20.0, 0.8, noise_sd=0.01, sample_rate=8000.0, samples=8000)
    assert full[0][0] == pytest.approx(line_sd, rel=5e-3)  # what 300 Hz, not infinitely many linewidths, leaves
    assert full[1][0] == pytest.approx(decay_sd, rel=5e-3)


def test_fisher_bounds_of_a_pair_agree_with_differences_of_the_signal():
    # The whole 8 x 8 Fisher matrix by central differences of the signal, nothing eliminated.
    samples, rate, sd = 2000, 4000.0, 0.02
    time = np.arange(samples) / rate

    def signal(q):
        return sum((q[k + 4] + 1j * q[k + 6]) * np.exp((-q[k + 2] + 2j * np.pi * q[k]) * time) for k in (0, 1)).real

    point = np.array([200.0, 203.0, 11.0, 14.0, 1.0, 0.3, -0.4, 0.8])
    slope = np.column_stack([(signal(point + 1e-4 * e) - signal(point - 1e-4 * e)) / 2e-4 for e in np.eye(8)])
    expected = sd * np.sqrt(np.diag(np.linalg.inv(slope.T @ slope)))
    got = fisher_bounds(
        point[:2], point[2:4], point[4:6] + 1j * point[6:], noise_sd=sd, sample_rate=rate, samples=samples
    )
    np.testing.assert_allclose(np.concatenate(got), expected[:4], rtol=1e-5)


def test_more_records_of_one_amplitude_halve_the_variance():
    one = fisher_bounds(200.0, 10.0, [[1.0]], noise_sd=0.1, sample_rate=8000.0, samples=4000)
    two = fisher_bounds(200.0, 10.0, [[1.0], [1.0]], noise_sd=0.1, sample_rate=8000.0, samples=4000)
    assert two[0][0] == pytest.approx(one[0][0] / np.sqrt(2.0))


def test_a_bound_needs_a_decay_and_two_samples():
    with pytest.raises(ValueError, match="decay_per_sample > 0, got 1 and 0"):
        complex_mode_bound(1.0, 0.0, 1, noise_variance=1.0)
