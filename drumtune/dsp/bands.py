"""Octave and third-octave bands (IEC 61260-1) for the decay of short sounds.

Conventions: centre frequencies and edges in Hz, base-ten octave ratio G = 10^0.3; `fraction` is 1 (octaves) or 3
(thirds). Equations: docs/physics.md, section Bands. Source: IEC 61260-1:2014, clauses 5.2 to 5.5.

A filter rings too. Run backwards in time its ringing falls before the onset, where it harms no decay: F. Jacobsen and
J. H. Rindel, "Time reversed decay measurements", J. Sound Vib. 117(1), 1987: a filter of bandwidth B bears decays of
B T > 16 forwards and B T > 4 backwards. Filters here act on the spectrum, so backwards is one complex conjugate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import ifft, next_fast_len, rfft

from drumtune.dsp.decay import DecayFigures, Figure, decay_figures, onset, power_decay
from drumtune.dsp.floor import LEAST

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

G = 10.0**0.3
"""Octave ratio (IEC 61260-1, 5.2)."""
FORWARD_BT = 16.0
REVERSED_BT = 4.0
"""Least B T a filter bears forwards and backwards (Jacobsen & Rindel 1987)."""
_R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
_ORDER = 3
_CURVE_RATE = 2000.0
_REACH_OCTAVES = {1: 4.0, 3: 2.6}


@dataclass(frozen=True, slots=True)
class Band:
    """One band: exact centre (Hz), 1 or 3 to the octave, and which way in time its filter runs."""

    centre: float
    fraction: int = 1
    time_reversed: bool = False


@dataclass(frozen=True, slots=True)
class BandDecay:
    """Decay of one band: exact centre (Hz), its figures, and whether the filter was run backwards."""

    centre: float
    figures: DecayFigures
    time_reversed: bool


def band_centres(lowest: float, highest: float, fraction: int = 1) -> Array:
    """Exact mid-band frequencies between two frequencies in Hz: 1000 G^(x/b), x whole (b odd).

    Raises
    ------
    ValueError
        If `fraction` is not 1 or 3, or the range is not positive and rising.

    Examples
    --------
    >>> [round(float(f), 4) for f in band_centres(120, 520)]
    [125.8925, 251.1886, 501.1872]
    """
    if fraction not in (1, 3) or not 0.0 < lowest <= highest:
        raise ValueError(f"bands are octaves (1) or thirds (3) in a rising range, got {fraction}, {lowest}, {highest}")
    ends = fraction * np.log10(np.array([lowest, highest]) / 1000.0) / 0.3
    steps = np.arange(np.ceil(ends[0] - 1e-9), np.floor(ends[1] + 1e-9) + 1.0)
    return np.asarray(1000.0 * G ** (steps / fraction), dtype=np.float64)


def nominal(centre: float) -> float:
    """Nominal name in Hz of the octave or third of an exact centre (IEC 61260-1, annex E): the row R10 of ISO 3.

    Examples
    --------
    >>> [nominal(f) for f in band_centres(30, 2100).tolist()]
    [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0]
    """
    decade, step = divmod(round(10.0 * np.log10(centre)), 10)
    return float(_R10[step] * 10.0**decade)


def band_edges(centre: float, fraction: int = 1) -> tuple[float, float]:
    """Lower and upper band edge in Hz: f G^(-1/2b), f G^(1/2b)."""
    half = G ** (0.5 / fraction)
    return centre / half, centre * half


def band_response(frequencies: Array, centre: float, fraction: int = 1) -> Complex:
    """Complex response of the band filter at frequencies in Hz (> 0), shape as given.

    A Butterworth band pass of order 3 (six poles), -3 dB at the band edges; it lies within the class 1 limits.
    """
    low, high = band_edges(centre, fraction)
    detuning = (frequencies * frequencies - low * high) / (frequencies * (high - low))
    angles = np.pi * (2.0 * np.arange(1, _ORDER + 1) + _ORDER - 1.0) / (2.0 * _ORDER)
    response = np.ones(np.shape(frequencies), dtype=np.complex128)
    for pole in np.exp(1j * angles):
        response /= 1j * detuning - pole
    return response


def band_decays(signal: Array, rate: float, fraction: int = 1, lowest: float = 50.0) -> tuple[BandDecay, ...]:
    """Decay figures in each band from `lowest` Hz up to the last whole band under half the rate, by frequency.

    The filter is run forwards, and again backwards where B T is under 16; figures with B T under 4 even so are
    marked invalid (fit partials instead). All bands start at the broadband onset. Bands that a sound is too short to
    show at all are left out.

    Raises
    ------
    ValueError
        If the signal is not one channel of finite samples, or is silent.
    """
    if signal.ndim != 1 or not np.isfinite(signal).all() or not signal.any():
        raise ValueError(f"bands need one channel of finite samples and some sound, got shape {signal.shape}")
    start = signal[onset(np.square(signal, dtype=np.float64)) :]
    low, high = band_edges(lowest, fraction)
    size = next_fast_len(start.size + int(6.0 * rate / (high - low)), real=True)
    spectrum = rfft(start, size) / size
    top = 0.5 * rate / G ** (0.5 / fraction)
    decays = (_band(spectrum, start.size / rate, size / rate, c, fraction) for c in band_centres(lowest, top, fraction))
    return tuple(decay for decay in decays if decay is not None)


def _band(spectrum: Complex, duration: float, period: float, centre: float, fraction: int) -> BandDecay | None:
    """One band, forwards if it bears it, else backwards; None when nothing of it can be seen."""
    width = float(np.diff(band_edges(centre, fraction))[0])
    if duration * width < REVERSED_BT:
        return None
    band = Band(centre, fraction)
    figures = _figures(spectrum, duration, period, band)
    if figures is None:
        return None
    reference = figures.t20.value or figures.edt.value
    if reference is not None and width * reference > FORWARD_BT:
        return BandDecay(centre, figures, False)
    figures = _figures(spectrum, duration, period, replace(band, time_reversed=True))
    return None if figures is None else BandDecay(centre, _judge(figures, width), True)


def band_power(spectrum: Complex, period: float, band: Band) -> tuple[Array, float]:
    """Squared envelope of one band of a sound, half the analytic signal's square, and its own lower sampling rate.

    `spectrum` is the rfft, over its length, of the sound padded to `period` s; the padding outlasts the filter's
    ringing.
    """
    reach = 2.0 ** _REACH_OCTAVES[band.fraction]
    first = max(1, int(band.centre / reach * period))
    bins = spectrum[first : int(band.centre * reach * period)]
    response = band_response((first + np.arange(bins.size)) / period, band.centre, band.fraction)
    count = next_fast_len(bins.size)
    rate = count / period
    envelope = ifft(bins * (np.conj(response) if band.time_reversed else response), count) * count
    return 2.0 * np.square(np.abs(envelope)), rate


def _figures(spectrum: Complex, duration: float, period: float, band: Band) -> DecayFigures | None:
    """Figures of a band; None where it lasts too short a time for a decay to be seen."""
    power, rate = band_power(spectrum, period, band)
    power = power[: int(duration * rate)]
    step = max(1, int(rate / _CURVE_RATE))
    whole = power.size // step * step
    curve = power[:whole].reshape(-1, step).mean(axis=1)
    return decay_figures(power_decay(curve, rate / step)) if curve.size >= LEAST else None


def _judge(figures: DecayFigures, width: float) -> DecayFigures:
    """Mark what even the reversed filter is too narrow for."""
    edt, t20, t30 = (_wide_enough(figure, width) for figure in (figures.edt, figures.t20, figures.t30))
    return DecayFigures(edt, t20, t30, figures.curvature_percent)


def _wide_enough(figure: Figure, width: float) -> Figure:
    if figure.value is None or width * figure.value > REVERSED_BT:
        return figure
    reason = f"band too narrow for so short a decay (B T {width * figure.value:.1f}, 4 are needed): see the partials"
    return Figure(figure.value, False, reason, figure.slope, figure.intercept, figure.nonlinearity)
