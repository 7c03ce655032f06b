"""Bands: centres as printed, the class 1 limits, and filters that do not lengthen short decays."""

import numpy as np
import pytest

from drumtune.dsp.bands import Band, band_centres, band_decays, band_edges, band_power, band_response

FS = 48000
CLASS_1 = {
    0: (-0.3, 0.3),
    0.25: (-0.3, 0.6),
    1: (17.5, np.inf),
    2: (42.0, np.inf),
    3: (61.0, np.inf),
    4: (70.0, np.inf),
}
"""Octave filter, class 1: octaves from the centre: least and largest attenuation in dB (IEC 61260:1995 table 1, from
memory; the 2014 limits are no narrower)."""


def test_centres_are_the_exact_ones():
    """125.8925, 251.1886, 501.1872 Hz: exact mid-band frequencies as printed in IEC 61260-1."""
    assert [round(float(f), 4) for f in band_centres(100, 600)] == [125.8925, 251.1886, 501.1872]


def test_three_thirds_make_an_octave():
    thirds = band_centres(195, 320, 3)
    low, high = band_edges(251.18864315, 1)
    assert band_edges(thirds[0], 3)[0] == pytest.approx(low)
    assert band_edges(thirds[-1], 3)[1] == pytest.approx(high)


@pytest.mark.parametrize(("octaves", "limits"), CLASS_1.items())
@pytest.mark.parametrize("side", [-1, 1])
def test_the_filter_keeps_class_1(octaves, limits, side):
    frequency = np.array([1000.0 * 10 ** (0.3 * side * octaves)])
    attenuation = -20 * np.log10(np.abs(band_response(frequency, 1000.0)))[0]
    assert limits[0] <= attenuation <= limits[1]


@pytest.mark.parametrize("fraction", [1, 3])
def test_edges_are_three_decibels_down(fraction):
    edges = np.array(band_edges(1000.0, fraction))
    assert np.abs(band_response(edges, 1000.0, fraction)) ** 2 == pytest.approx(0.5)


def test_a_band_holds_the_energy_that_scipys_filter_holds():
    """Energy through the same Butterworth band pass by scipy.signal, an independent realisation, within 0.5 %."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(4)
    sound = rng.standard_normal(FS) * 10 ** (-3 * np.arange(FS) / FS)
    size = 4 * FS
    power, rate = band_power(np.fft.rfft(sound, size) / size, size / FS, Band(1000.0))
    other = sosfilt(butter(3, band_edges(1000.0), "bandpass", fs=FS, output="sos"), np.append(sound, np.zeros(FS)))
    assert power.sum() / rate == pytest.approx(np.square(other).sum() / FS, rel=0.005)


def test_decaying_noise_decays_alike_in_every_band():
    """Broadband noise of T = 0.8 s: T30 of octaves from 500 Hz within 5 % (scatter of a band's noise, B T over 280)."""
    rng = np.random.default_rng(6)
    sound = rng.standard_normal(2 * FS) * 10 ** (-3 * np.arange(2 * FS) / FS / 0.8)
    for band in band_decays(sound, FS, lowest=450.0):
        assert band.figures.t30.value == pytest.approx(0.8, rel=0.05)
        assert not band.time_reversed


def test_a_filter_run_backwards_does_not_lengthen_a_short_decay():
    """A 1 kHz line of T = 30 ms in its third-octave band (B T = 6.9): forwards 16 are needed, backwards 4."""
    times = np.arange(FS // 2) / FS
    sound = np.cos(2 * np.pi * 1000 * times) * 10 ** (-3 * times / 0.03)
    band = next(b for b in band_decays(sound, FS, 3, lowest=900.0) if round(b.centre) == 1000)
    assert band.time_reversed
    assert band.figures.t20.value == pytest.approx(0.03, rel=0.05)  # Jacobsen & Rindel 1987: 5 % at B T > 4


def test_a_band_too_narrow_for_its_decay_says_so():
    times = np.arange(FS) / FS
    sound = np.cos(2 * np.pi * 126 * times) * 10 ** (-3 * times / 0.03)
    band = next(b for b in band_decays(sound, FS, 3, lowest=120.0) if round(b.centre) == 126)
    assert not band.figures.t20.valid
    assert "too narrow" in band.figures.t20.reason


def test_a_sound_too_short_for_a_decay_shows_no_band():
    """12 ms at 2000 points a second, the rate of a band's curve, are 24: a decay needs 32 (floor.py)."""
    sound = np.random.default_rng(2).standard_normal(int(0.012 * FS))
    assert band_decays(sound, FS) == ()


def test_bands_that_are_none_are_refused():
    with pytest.raises(ValueError, match="octaves"):
        band_centres(100, 50)
    with pytest.raises(ValueError, match="octaves"):
        band_centres(100, 500, 2)
    with pytest.raises(ValueError, match="some sound"):
        band_decays(np.zeros(1000), FS)
