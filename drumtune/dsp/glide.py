"""The after-note: how the pitch of a hit falls to where it settles.

A hard stroke stretches the film; the tension it adds dies with the energy, so f(t) = f_inf sqrt(1 + x exp(-2 gamma t)):
docs/physics.md, section Glide. Conventions: signals from their onset on, shape (samples,), `rate` in Hz; times in s
from the onset; falls in cents, positive when the pitch comes down.

Does not tell which head or mode a partial belongs to, and takes no pair of lines for a glide or the reverse: pairs are
looked for in the sound with its glide taken out (`unwarp`), and only after 0.25 s (see flat_lines.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import ifft, irfft, next_fast_len, rfft

from drumtune.notes import cents

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

EARLY = (0.04, 0.12)
"""Stretch of the hit, in s, whose mean pitch the fall is counted from."""
FIRST = 0.01
"""Start of every pitch track, s."""
_TRACK_RATE = 500.0
_GRID = 5e-4
_TABLE = np.concatenate([np.linspace(-0.2, 0.0, 40, endpoint=False), np.linspace(0.0, 2.0, 400)])
_SCAN_RATE = 900.0
_SCAN_AHEAD = np.concatenate([[-3.0, -1.5], np.arange(1.0, 60.0, 1.2)])
_SCAN_PACES = (2.0, 3.3, 5.5, 9.0, 15.0)
_FINE_RATE = 2000.0
_STRETCHES = np.concatenate([-np.geomspace(0.04, 0.002, 5), [0.0], np.geomspace(0.002, 1.0, 22)])
_RATES = np.geomspace(1.0, 40.0, 14)
_STEPS = 15
_APART = 0.03


@dataclass(frozen=True, slots=True)
class GlideLaw:
    """f(t)/f_inf = sqrt(1 + excess exp(-2 rate t)): relative tension added at the onset, and its decay (1/s)."""

    excess: float = 0.0
    rate: float = 5.0

    def ratio(self, times: Array) -> Array:
        """f(t)/f_inf at times in s, shape as given."""
        return np.sqrt(1.0 + self.excess * np.exp(-2.0 * self.rate * times))

    def warp(self, times: Array) -> Array:
        """Integral of `ratio` from 0 to times in s: the time at which a steady line would be as far, in s."""
        first, now = np.sqrt(1.0 + self.excess), self.ratio(times)
        ahead = (first - now - np.log((1.0 + first) / (1.0 + now))) / self.rate
        return np.asarray(times + ahead, dtype=np.float64)

    def unwarp(self, warped: Array) -> Array:
        """Real times (s) of warped ones, the inverse of `warp`, to 1e-6 s."""
        latest = float(warped.max(initial=0.0))
        grid = np.arange(0.0, 1.1 * latest + 0.1, _GRID)
        return np.asarray(np.interp(warped, self.warp(grid), grid), dtype=np.float64)

    def fall_cents(self, start: float = EARLY[0], end: float = EARLY[1]) -> float:
        """Fall in cents from the mean pitch between two times in s to the settled one."""
        ends = self.warp(np.array([start, end]))
        return float(cents((ends[1] - ends[0]) / (end - start), 1.0))


STEADY = GlideLaw()
"""No glide at all."""


@dataclass(frozen=True, slots=True)
class PitchTrack:
    """Pitch of one partial over time: s, Hz, and amplitude in the signal's unit, each shape (points,)."""

    times: Array
    frequencies: Array
    amplitudes: Array

    def only(self, kept: NDArray[np.bool_]) -> PitchTrack:
        """The track without the points where `kept`, shape (points,), is false."""
        return PitchTrack(self.times[kept], self.frequencies[kept], self.amplitudes[kept])

    def mean(self, start: float, end: float) -> float | None:
        """Energy-weighted mean pitch between two times in s; None when the track has no point there."""
        inside = (self.times >= start) & (self.times < end)
        weight = np.square(self.amplitudes[inside])
        return float(weight @ self.frequencies[inside] / weight.sum()) if weight.sum() > 0.0 else None


def steadied(track: PitchTrack, *, span: float = 0.04, most: float = 10.0) -> tuple[PitchTrack, NDArray[np.bool_]]:
    """The track meaned by energy over `span` s round each point, and where that mean is sure, shape (points,).

    Sure is the longest stretch where the pitch scatters about the mean by no more than `most` cents rms: neighbours
    that beat into the band at the onset, and noise at the end, swing it by more. For pictures: fits take the track as
    it is.
    """
    if track.times.size < 2:
        return track, np.ones(track.times.size, dtype=bool)
    reach = int(0.5 * span / (track.times[1] - track.times[0]))
    edges = np.arange(track.times.size)
    first, last = np.maximum(edges - reach, 0), np.minimum(edges + reach + 1, track.times.size)
    weight = np.square(track.amplitudes)

    def mean(values: Array) -> Array:
        sums = np.concatenate([[0.0], np.cumsum(weight * values)])
        return np.asarray(sums[last] - sums[first], dtype=np.float64)

    centre = float(np.median(track.frequencies))
    apart = track.frequencies - centre
    share = np.maximum(mean(np.ones_like(weight)), 1e-300)
    middle = mean(apart) / share
    scatter = np.sqrt(np.maximum(mean(np.square(apart)) / share - np.square(middle), 0.0))
    sure = _longest(np.asarray(cents(centre + scatter, centre) <= most, dtype=bool))
    return PitchTrack(track.times, centre + middle, track.amplitudes), sure


def _longest(true: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only the longest run of true, shape (points,)."""
    ends = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(int))).reshape(-1, 2)
    if ends.size == 0:
        return true
    first, last = ends[np.argmax(ends[:, 1] - ends[:, 0])]
    places = np.arange(true.size)
    return np.asarray((places >= first) & (places < last), dtype=bool)


@dataclass(frozen=True, slots=True)
class Glide:
    """After-note of one partial.

    `settled` in Hz; `law` the fitted law; `fall_cents` from the mean pitch of EARLY to the settled one; `misfit` the
    rms distance of the track from the law in cents, weighted by amplitude.
    """

    settled: float
    law: GlideLaw
    fall_cents: float
    misfit: float
    track: PitchTrack


def strong_lines(signal: Array, rate: float, *, most: int = 6, highest: float = 2000.0) -> list[tuple[float, float]]:
    """Strongest peaks of the settled part of a sound: (Hz, level), strongest first, at most `most`.

    Peaks of the spectrum of what sounds after 0.1 s (or the first fifth of a shorter hit), from 30 Hz to `highest`, 3 %
    or more apart; levels in dB of the spectrum's own unit. Rough: a starting point, to a few parts in a thousand.
    """
    start = int(min(0.1, 0.2 * signal.size / rate) * rate)
    rest = signal[start:]
    rise = min(int(0.06 * rate), rest.size // 4)
    rest = rest[: rise + int(1.5 * rate)]
    window = np.concatenate([np.hanning(2 * rise)[:rise], np.hanning(2 * (rest.size - rise))[rest.size - rise :]])
    size = next_fast_len(2 * rest.size, real=True)
    spectrum = np.abs(rfft(rest * window, size))
    frequency = np.arange(spectrum.size) * rate / size
    middle = spectrum[1:-1]
    peaks = 1 + np.flatnonzero((middle > spectrum[:-2]) & (middle >= spectrum[2:]))
    peaks = peaks[(frequency[peaks] >= 30.0) & (frequency[peaks] <= min(highest, 0.45 * rate))]
    level = 20.0 * np.log10(spectrum[peaks] + 1e-300)
    found: list[tuple[float, float]] = []
    for place in np.argsort(-level, kind="stable"):
        here = float(frequency[peaks[place]])
        if len(found) == most:
            break
        if all(abs(here / other - 1.0) > _APART for other, _ in found):
            found.append((here, float(level[place])))
    return found


def track_pitch(
    signal: Array, rate: float, frequency: float, *, below: float = 0.22, above: float = 0.42
) -> PitchTrack:
    """Follow one partial by its analytic signal in a band round `frequency` (Hz).

    The band has raised-cosine flanks over the last third of its reach, `below` and `above` as shares of `frequency`.
    The track runs from FIRST, every 2 ms, until the band's amplitude has fallen by 50 dB or comes within 12 dB of
    what is left at the end.
    """
    size = next_fast_len(signal.size + int(0.3 * rate))
    spectrum = rfft(signal, size)
    first, last = int(frequency * (1.0 - below) * size / rate), int(np.ceil(frequency * (1.0 + above) * size / rate))
    bins = np.arange(max(first, 1), min(last, spectrum.size - 1))
    offset = (bins * rate / size - frequency) / frequency
    inside = np.clip(3.0 * np.minimum(1.0 + offset / below, 1.0 - offset / above), 0.0, 1.0)
    count = next_fast_len(max(bins.size, int(_TRACK_RATE * size / rate)))
    band = np.zeros(count, dtype=np.complex128)
    centre = round(frequency * size / rate)
    band[(bins - centre) % count] = spectrum[bins] * np.sin(0.5 * np.pi * inside) ** 2
    step = size / rate / count
    envelope = ifft(band)[: int(signal.size / rate / step)] * (2.0 * count / size)
    return _as_track(envelope, step, centre * rate / size)


def _as_track(envelope: Complex, step: float, centre: float) -> PitchTrack:
    """Pitch from the phase steps of a baseband envelope sampled every `step` s."""
    turn = envelope[1:] * np.conj(envelope[:-1])
    times = (np.arange(turn.size) + 0.5) * step
    amplitude = np.sqrt(np.abs(turn))
    pitch = centre + np.angle(turn) / (2.0 * np.pi * step)
    quiet = float(np.median(amplitude[-max(1, amplitude.size // 10) :])) if amplitude.size else 0.0
    peak = float(amplitude.max(initial=0.0))
    least = max(peak * 10.0 ** (-50.0 / 20.0), 4.0 * quiet if quiet < 0.06 * peak else 0.0)
    loud = np.flatnonzero(amplitude > least)
    kept = slice(int(np.searchsorted(times, FIRST)), int(loud[-1]) + 1 if loud.size else 0)
    return PitchTrack(np.asarray(times[kept], dtype=np.float64), pitch[kept], amplitude[kept])


def fit_glide(track: PitchTrack) -> Glide:
    """Fit the law to a track by amplitude-weighted least squares on its pitch.

    Raises
    ------
    ValueError
        If the track has fewer than eight points.
    """
    if track.times.size < 8:
        raise ValueError(f"a glide needs a track of 8 points, got {track.times.size}")
    thinned = _thin(track)
    weight = thinned.amplitudes / thinned.amplitudes.sum()
    excess, rate = np.meshgrid(_STRETCHES, _RATES, indexing="ij")
    shape = np.sqrt(1.0 + excess[..., None] * np.exp(-2.0 * rate[..., None] * thinned.times))
    scale = (shape @ (weight * thinned.frequencies)) / (np.square(shape) @ weight)
    error = np.square(thinned.frequencies - scale[..., None] * shape) @ weight
    best = np.unravel_index(int(np.argmin(error)), error.shape)
    start = np.array([scale[best], excess[best], rate[best]], dtype=np.float64)
    settled, law, misfit = _descend(thinned, weight, start)
    return Glide(settled, law, law.fall_cents(), misfit, track)


def _thin(track: PitchTrack, most: int = 120) -> PitchTrack:
    """A track of at most `most` points, by means over neighbours weighted by energy."""
    group = -(-track.times.size // most)
    whole = track.times.size // group * group
    times, frequencies, amplitudes = (
        part[:whole].reshape(-1, group) for part in (track.times, track.frequencies, track.amplitudes)
    )
    weight = np.square(amplitudes) + 1e-300
    pitch = np.einsum("ij,ij->i", frequencies, weight) / np.einsum("ij->i", weight)
    middles, sizes = (np.asarray(part.mean(axis=1), dtype=np.float64) for part in (times, amplitudes))
    return PitchTrack(middles, pitch, sizes)


def _descend(track: PitchTrack, weight: Array, start: Array) -> tuple[float, GlideLaw, float]:
    """Levenberg-Marquardt on (f_inf, excess, rate) from `start`."""
    root = np.sqrt(weight)

    def residual(theta: Array) -> Array:
        said = theta[0] * GlideLaw(theta[1], theta[2]).ratio(track.times)
        return np.asarray(root * (said - track.frequencies), dtype=np.float64)

    theta, damping = start, 1e-3
    error = residual(theta)
    for _ in range(_STEPS):
        jacobian = _slopes(theta, track.times) * root[:, None]
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-30), -jacobian.T @ error)
        trial = theta + step
        trial[1:] = np.clip(trial[1:], [-0.1, 0.5], [1.5, 60.0])
        trial_error = residual(trial)
        better = float(trial_error @ trial_error) < float(error @ error)
        theta, error = (trial, trial_error) if better else (theta, error)
        damping = damping / 5.0 if better else damping * 8.0
    law = GlideLaw(float(theta[1]), float(theta[2]))
    return float(theta[0]), law, float(cents(1.0 + np.sqrt(error @ error) / theta[0], 1.0))


def _slopes(theta: Array, times: Array) -> Array:
    """Derivatives of f(t) with respect to f_inf, excess and rate, shape (points, 3)."""
    fading = np.exp(-2.0 * theta[2] * times)
    ratio = np.sqrt(1.0 + theta[1] * fading)
    by_excess = theta[0] * fading / (2.0 * ratio)
    return np.stack([ratio, by_excess, -2.0 * times * theta[1] * by_excess], axis=1)


def unwarp(signal: Array, rate: float, law: GlideLaw, new_rate: float) -> Array:
    """Take a glide out: the sound played so that a partial under `law` stands still at its settled pitch.

    Returns samples at `new_rate` (Hz) of warped time, band-limited to 0.4 `new_rate`; shape (samples,). Decays are
    stretched with it: make them straight again (see hit.py) or refine them in real time (see gliding.py).
    """
    dense, dense_rate = fine_samples(signal, rate, new_rate)
    return warped_samples(dense, dense_rate, law, new_rate)


def fine_samples(signal: Array, rate: float, new_rate: float) -> tuple[Array, float]:
    """A sound band-limited to 0.4 `new_rate`, sampled so finely (8 times) that cubic interpolation is exact to 1e-5."""
    size = next_fast_len(signal.size + int(0.05 * rate), real=True)
    count = next_fast_len(int(max(8.0 * new_rate, 1.0) * size / rate), real=True)
    spectrum = rfft(signal, size)[: count // 2 + 1]
    frequency = np.arange(spectrum.size) * rate / size
    spectrum *= np.clip((0.45 * new_rate - frequency) / (0.05 * new_rate), 0.0, 1.0)
    dense = irfft(spectrum, count) * (count / size)
    return dense[: int(signal.size / rate * count / size * rate)], rate * count / size


def warped_samples(dense: Array, dense_rate: float, law: GlideLaw, new_rate: float) -> Array:
    """Values of finely sampled sound at even steps (1/`new_rate` s) of warped time."""
    end = float(law.warp(np.array([dense.size / dense_rate]))[0])
    return _cubic(dense, law.unwarp(np.arange(int(end * new_rate)) / new_rate) * dense_rate)


def sharpness(signal: Array, rate: float) -> float:
    """How few lines hold a sound's energy, whole and in its first 0.3 s, as a log; largest when no glide is left.

    Of each stretch: the middle frequency over the width that holds the power, sum f |S|^4 / (sum |S|^2)^2, so that
    playing the sound slower, which narrows every line, gains nothing.
    """
    return _peaked(signal) + _peaked(signal[: int(0.3 * rate)])


def _peaked(signal: Array) -> float:
    window = np.hanning(2 * signal.size)[signal.size :]
    power = np.square(np.abs(rfft(signal * window, next_fast_len(signal.size, real=True))))
    return float(np.log(np.arange(power.size) @ np.square(power) / power.sum() ** 2))


def law_of(advance: float, rate: float) -> GlideLaw:
    """Law by how far it gets ahead of a steady line in all, W(t) - t for long t, in s (-0.05...0.4 / rate)."""
    first = np.sqrt(1.0 + _TABLE)
    ahead = first - 1.0 - np.log(0.5 * (1.0 + first))
    return GlideLaw(float(np.interp(advance * rate, ahead, _TABLE)), rate)


def scan_laws(signal: Array, rate: float) -> list[GlideLaw]:
    """The laws, out of a coarse net, under which the low part of a sound's first second is sharpest; three of them."""
    low_rate = min(_SCAN_RATE, rate)
    dense, dense_rate = fine_samples(signal[: int(rate)], rate, low_rate)
    laws = [law_of(0.001 * ahead, pace) for pace in _SCAN_PACES for ahead in _SCAN_AHEAD if 0.001 * ahead * pace < 0.3]
    marks = [
        sharpness(warped_samples(dense, dense_rate, law, low_rate)[int(FIRST * low_rate) :], low_rate) for law in laws
    ]
    return [laws[k] for k in np.argsort(marks)[::-1][:3]]


def sharpest(signal: Array, rate: float, laws: list[GlideLaw]) -> GlideLaw:
    """The best of some laws, moved in ever smaller steps of advance and pace to where the sound is sharpest."""
    low_rate = min(_FINE_RATE, rate)
    dense, dense_rate = fine_samples(signal[: int(1.5 * rate)], rate, low_rate)
    skipped = int(FIRST * low_rate)

    def mark(law: GlideLaw) -> float:
        return sharpness(warped_samples(dense, dense_rate, law, low_rate)[skipped:], low_rate)

    best = max(laws, key=mark)
    most = mark(best)
    for step in (6e-4, 2.5e-4, 1e-4):
        ahead = float(best.warp(np.array([20.0 / best.rate]))[0]) - 20.0 / best.rate
        near = [law_of(ahead + d * step, best.rate * pace) for d in (-1, 0, 1) for pace in (0.85, 1.0, 1.18)]
        marks = [mark(law) for law in near]
        if max(marks) > most:
            best, most = near[int(np.argmax(marks))], max(marks)
    return best


def _cubic(samples: Array, places: Array) -> Array:
    """Four-point Lagrange interpolation of evenly spaced samples at fractional indices."""
    base = np.clip(places.astype(np.intp), 1, samples.size - 3)
    x = places - base
    return np.asarray(
        samples[base - 1] * (-x * (x - 1.0) * (x - 2.0) / 6.0)
        + samples[base] * ((x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0)
        + samples[base + 1] * (-(x + 1.0) * x * (x - 2.0) / 2.0)
        + samples[base + 2] * ((x + 1.0) * x * (x - 1.0) / 6.0)
    )
