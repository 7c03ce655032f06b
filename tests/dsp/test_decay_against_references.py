"""Decay times against general-purpose libraries: pyrato (Chu-Lundeby) and pyroomacoustics (plain Schroeder).

Both are installed by .ci/run (they bring pyfar and compiled code, so they are in an extra of their own).
"""

import warnings

import numpy as np
import pytest

from drumtune.dsp.decay import decay_figures, energy_decay

FS = 48000
AGREE = 0.02
"""T20 and T30 must agree within 2 % wherever both call the range valid, as the job asks."""
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::PendingDeprecationWarning")


def room(decay, noise_db, seed):
    """Decaying Gaussian noise as a room's response, steady noise `noise_db` under its start."""
    rng = np.random.default_rng(seed)
    times = np.arange(int(2.5 * FS)) / FS
    sound = rng.standard_normal(times.size) * 10 ** (-3 * times / decay)
    return sound + 10 ** (noise_db / 20) * rng.standard_normal(times.size)


def struck(decay, noise_db, seed):
    """Ten damped lines of one decay, as a drum's, steady noise under them."""
    rng = np.random.default_rng(seed)
    times = np.arange(int(2.5 * FS)) / FS
    lines = zip(rng.uniform(300, 3000, 10), rng.uniform(0, 6, 10), strict=True)
    sound = sum(np.cos(2 * np.pi * f * times + p) for f, p in lines) * 10 ** (-3 * times / decay)
    return sound + 10 ** (noise_db / 20) * rng.standard_normal(times.size)


def by_pyrato(sound):
    """T20 and T30 by pyrato's truncated and compensated curve."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pyfar announces coming changes of its own names
        pyfar = pytest.importorskip("pyfar", reason="needs pyrato and pyfar, of the extra `reference`")
        pyrato = pytest.importorskip("pyrato", reason="needs pyrato and pyfar, of the extra `reference`")
        curve = pyrato.edc.energy_decay_curve_chu_lundeby(pyfar.Signal(sound, FS), time_shift=False)
        return [
            float(np.squeeze(pyrato.parameters.reverberation_time_linear_regression(curve, T=name)))
            for name in ("T20", "T30")
        ]


def by_pyroomacoustics(sound):
    """T20 and T30 by pyroomacoustics, which knows no noise: for quiet signals only. Both start at -5 dB."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        why = "needs pyroomacoustics, of the extra `reference`"
        rt60 = pytest.importorskip("pyroomacoustics.experimental.rt60", reason=why)
        return [float(rt60.measure_rt60(sound, fs=FS, decay_db=span)) for span in (20, 30)]


@pytest.mark.parametrize("make", [room, struck])
@pytest.mark.parametrize("decay", [0.3, 0.8])
@pytest.mark.parametrize("noise_db", [-45, -60])
def test_agrees_with_pyrato_wherever_both_are_valid(make, decay, noise_db):
    sound = make(decay, noise_db, 11)
    figures = decay_figures(energy_decay(sound, FS))
    for figure, other in zip((figures.t20, figures.t30), by_pyrato(sound), strict=True):
        if figure.valid and np.isfinite(other):
            assert figure.value == pytest.approx(other, rel=AGREE)


@pytest.mark.parametrize("make", [room, struck])
@pytest.mark.parametrize("decay", [0.2, 0.5])
def test_agrees_with_pyroomacoustics_on_quiet_sounds(make, decay):
    sound = make(decay, -200, 12)
    figures = decay_figures(energy_decay(sound, FS))
    for figure, other in zip((figures.t20, figures.t30), by_pyroomacoustics(sound), strict=True):
        assert figure.valid
        assert figure.value == pytest.approx(other, rel=AGREE)


def test_the_comparison_compares_something():
    """At least three of four ranges above are valid on our side, so that the tests cannot pass by silence."""
    valid = [
        figure.valid
        for make in (room, struck)
        for decay in (0.3, 0.8)
        for noise in (-45, -60)
        for figure in (lambda f: (f.t20, f.t30))(decay_figures(energy_decay(make(decay, noise, 11), FS)))
    ]
    assert sum(valid) >= 0.6 * len(valid)
