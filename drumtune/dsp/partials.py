"""Partials of taps or hits: frequencies, decay rates and complex amplitudes, from all segments jointly.

Conventions: a segment starts where its free vibration is under way (after the contact), and segment s is
sum_p Re(a_sp exp((-alpha_p + 2 pi i f_p) t)) plus noise, t from the segment's first sample. Frequencies and decay rates
are common to all segments. Decay time is T60 = 6.9078 / alpha. Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import scipy.ndimage
from numpy.typing import ArrayLike, NDArray

from drumtune.dsp.cluster import Problem, grow, noise_variance, settle
from drumtune.dsp.refine import Fit, pole_variance, solve_linear
from drumtune.dsp.spectra import Segments, Window, as_segments, cut_window, line_shape, model_spectrum
from drumtune.dsp.subspace import esprit_poles

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Partials:
    """Lines found in S segments, by rising frequency.

    Parameters
    ----------
    frequency, decay_rate
        Shape (P,), Hz and 1/s.
    amplitude
        Shape (S, P), complex peak amplitude at each segment's first sample.
    frequency_sd, decay_rate_sd
        Shape (P,), standard deviations from the Fisher information with the noise met.
    amplitude_sd
        Shape (S, P), standard deviation of the real and of the imaginary part of the amplitude.
    noise_sd
        Shape (S, P), standard deviation per sample of the white noise as dense as the noise round the line.
    own
        Shape (P,), 0...1: share of the line's energy over the segments that the amplitudes of stronger lines nearby
        do not explain. A room answers a drum's line with lines of its own, whose amplitudes follow the drum's from tap
        to tap; a mode has its own pattern. 1 where there are too few segments to tell.
    """

    frequency: Floats
    decay_rate: Floats
    amplitude: Complexes
    frequency_sd: Floats
    decay_rate_sd: Floats
    amplitude_sd: Floats
    noise_sd: Floats
    own: Floats

    def only(self, index: NDArray[np.int64]) -> Partials:
        """The lines at the given places."""
        return Partials(*(getattr(self, field.name)[..., index] for field in fields(self)))

    @property
    def decay_time(self) -> Floats:
        """Time to fall by 60 dB, s, shape (P,)."""
        return np.asarray(math.log(1000.0) / self.decay_rate, dtype=np.float64)


@dataclass(slots=True)
class _Cluster:
    """Lines fitted together in one window, with the last problem solved there."""

    low: float
    high: float
    theta: Complexes
    amplitude: Complexes
    problem: Problem | None = None
    fit: Fit | None = None


MARGIN = 30.0
"""Hz on either side of a line, at least, that its window takes in where no neighbour stands nearer."""
WIDEST = 120.0
"""Hz, the widest window whose lines are fitted together; more lines are split at their widest gap."""
APART = 3.0
"""Hz, the least distance of two peaks; nearer lines are told apart by the fit, not by the peaks."""
PROMINENCE = 10.0
"""Power of a peak over the median round it: noise reaches it once in a thousand bins, the F test sees to the rest."""
SLOWEST_DECAY = 0.3
"""Lines that decay more slowly (1/s; T60 over 23 s) are hum or a whistle, not a drum's: fitted, not reported."""
FASTEST_REPORTED = 150.0
"""Lines that decay faster (1/s; T60 under 46 ms) are what a click or the contact leaves: fitted, not reported."""
LEAST_OWN = 0.12
"""Least `own` share of a reported line: rooms' lines had under 0.07, modes over 0.3, in simulated takes."""
NEIGHBOURHOOD = 40.0
"""Hz within which a stronger line may have woken a room's line."""
LATER = 0.15
"""s after which energies are compared for `own`: a room has mostly died away, a head has not."""
SPARE_SEGMENTS = 4
"""Segments wanted beyond the number of stronger neighbours before `own` says anything."""
ROUNDS = 3
"""Searches for peaks: the first in the spectrum, the others in what the lines found so far leave."""


def find_partials(  # noqa: PLR0913
    segments: ArrayLike | Sequence[ArrayLike],
    sample_rate: float,
    *,
    band: tuple[float, float] = (40.0, 1000.0),
    max_partials: int = 24,
    max_together: int = 5,
    floor_db: float = -60.0,
    least_own: float = LEAST_OWN,
) -> Partials:
    """Lines of all segments jointly, within `band`.

    Parameters
    ----------
    segments
        Array (S, n) or (n,), or a list of S rows of different lengths; each begins just after the contact.
    sample_rate
        Hz.
    band
        Lowest and highest frequency searched, Hz.
    max_partials
        Most lines reported: the strongest are kept.
    max_together
        Most lines looked for in one window of the spectrum.
    floor_db
        Peaks weaker than this against the strongest are not looked at.
    least_own
        Lines with a smaller `own` share are left out of the answer (not out of the fit); 0 keeps them.

    Raises
    ------
    ValueError
        If the segments are not rows of finite samples, or the band is empty or beyond half the sample rate.

    Notes
    -----
    Subspace starting values (ESPRIT over all segments), then maximum likelihood in the frequency domain over every
    sample. Does not follow pitch that glides; see `drumtune.dsp.pairs` for telling a glide from a pair.
    """
    low, high = band
    if not 0.0 < low < high < 0.5 * sample_rate:
        raise ValueError(f"band must lie within 0 and half the sample rate, got {band} at {sample_rate} Hz")
    record = as_segments(segments, sample_rate)
    clusters: list[_Cluster] = []
    search = _Search(record, low, high, max_together, floor_db)
    for _ in range(ROUNDS):
        if not _look(search, clusters):
            break
        clusters = _rewindow(search, clusters)
        for _ in range(2):
            for cluster in clusters:
                _refit(search, clusters, cluster)
    return _choose(_report(search, clusters), least_own, max_partials)


@dataclass(frozen=True, slots=True)
class _Search:
    """What every step of one search needs."""

    record: Segments
    low: float
    high: float
    max_together: int
    floor_db: float


def _lines(theta: Complexes, rate: float) -> Floats:
    """Frequencies in Hz of poles per sample."""
    return np.asarray(theta.imag * rate / (2.0 * math.pi), dtype=np.float64)


def _known(clusters: list[_Cluster], segments: int) -> tuple[Complexes, Complexes]:
    """Poles (P,) and amplitudes (S, P) of the given clusters together."""
    if not clusters:
        return np.zeros(0, dtype=np.complex128), np.zeros((segments, 0), dtype=np.complex128)
    return np.concatenate([c.theta for c in clusters]), np.concatenate([c.amplitude for c in clusters], axis=1)


def _padded_residual(search: _Search, clusters: list[_Cluster]) -> Complexes:
    """Padded spectra of the segments less the lines of `clusters`."""
    record = search.record
    theta, amplitude = _known(clusters, record.lengths.size)
    rest = record.padded.copy()
    if theta.size == 0:
        return rest
    reach = min(rest.shape[1], int(1.1 * search.high / record.sample_rate * record.padded_length) + 2)
    turn = np.exp(-2j * math.pi * np.arange(reach) / record.padded_length)
    lengths, sharing = np.unique(record.lengths, return_inverse=True)
    below = 1.0 - np.exp(theta) * turn[:, None]
    for place, length in enumerate(lengths):
        rows = np.flatnonzero(sharing.reshape(-1) == place)
        end = np.exp(-2j * math.pi * (np.arange(reach) * length % record.padded_length) / record.padded_length)
        shape = (1.0 - np.exp(length * theta) * end[:, None]) / below
        rest[rows, :reach] -= 0.5 * amplitude[rows] @ shape.T
    return rest


def _look(search: _Search, clusters: list[_Cluster]) -> bool:
    """Find peaks in what `clusters` leave, fit lines to them, and say whether any line was added."""
    record = search.record
    rest = _padded_residual(search, clusters)
    peaks, power = _peaks(search, rest)
    added = False
    for low, high, heard in sorted(_windows(peaks, power), key=lambda w: -float(w[2].max())):
        home = next((c for c in clusters if c.low < 0.5 * (low + high) < c.high), None)
        cluster = home or _Cluster(low, high, *_known([], record.lengths.size))
        before = cluster.theta.size
        _grow(search, clusters, cluster)
        if home is None and cluster.theta.size:
            clusters.append(cluster)
        added |= cluster.theta.size > before
    return added


def _peaks(search: _Search, spectra: Complexes) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and powers of the peaks that stand out of their surroundings, in the mean over segments."""
    record = search.record
    spacing = record.sample_rate / record.padded_length
    power = (np.abs(spectra) ** 2).mean(axis=0)
    top = float((np.abs(record.padded) ** 2).mean(axis=0)[int(search.low / spacing) : int(search.high / spacing)].max())
    first, last = int(search.low / spacing), min(power.size, int(search.high / spacing) + 1)
    power = scipy.ndimage.uniform_filter1d(power, max(1, round(1.5 / spacing)))
    begin, end = max(0, first - round(50.0 / spacing)), min(power.size, last + round(50.0 / spacing))
    around = power[begin:end]
    step = max(1, round(2.0 / spacing))
    coarse = around[: around.size // step * step].reshape(-1, step).mean(axis=1)
    floor = np.repeat(scipy.ndimage.median_filter(coarse, size=max(3, round(100.0 / (step * spacing)))), step)
    floor = np.pad(floor, (0, around.size - floor.size), mode="edge")
    highest = scipy.ndimage.maximum_filter1d(around, 2 * max(1, round(APART / spacing)) + 1)
    mark = (around == highest) & (around > PROMINENCE * floor) & (around > top * 10.0 ** (search.floor_db / 10.0))
    index = np.flatnonzero(mark) + begin
    index = index[(index >= first) & (index < last)]
    return index * spacing, power[index]


def _windows(peaks: Floats, power: Floats) -> list[tuple[float, float, Floats]]:
    """Peaks in groups (low, high, powers), each with a margin that ends half way to the next group."""
    groups: list[list[int]] = []
    for place, line in enumerate(peaks):
        if groups and line - peaks[groups[-1][-1]] < MARGIN and line - peaks[groups[-1][0]] < WIDEST - 2.0 * MARGIN:
            groups[-1].append(place)
        else:
            groups.append([place])
    windows = []
    for place, group in enumerate(groups):
        low, high = peaks[group[0]] - MARGIN, peaks[group[-1]] + MARGIN
        if place:
            low = max(low, 0.5 * (peaks[group[0]] + peaks[groups[place - 1][-1]]))
        if place + 1 < len(groups):
            high = min(high, 0.5 * (peaks[group[-1]] + peaks[groups[place + 1][0]]))
        windows.append((max(2.0, float(low)), float(high), power[group]))
    return windows


def _problem(search: _Search, clusters: list[_Cluster], cluster: _Cluster) -> Problem:
    """The cluster's window less the lines of the others and the mirror image of its own."""
    record = search.record
    window = cut_window(record, cluster.low, cluster.high)
    others = _known([c for c in clusters if c is not cluster], record.lengths.size)
    data = window.data - model_spectrum(*others, window, own=True)
    data = data - model_spectrum(cluster.theta, cluster.amplitude, window, own=False)
    return Problem(window, data, record.sample_rate, search.max_together)


def _grow(search: _Search, clusters: list[_Cluster], cluster: _Cluster) -> None:
    """Add lines to one cluster."""
    record = search.record
    problem = _problem(search, clusters, cluster)
    rest = _padded_residual(search, [c for c in clusters if c is not cluster])
    middle, width = 0.5 * (cluster.low + cluster.high), max(12.0, 0.35 * (cluster.high - cluster.low))
    offers: dict[int, Complexes] = {}
    for poles in esprit_poles(rest, record, middle, width, range(1, 2 * search.max_together + 1)).values():
        theta = np.asarray(poles / record.sample_rate, dtype=np.complex128)
        line = _lines(theta, record.sample_rate)
        theta = theta[(line > cluster.low) & (line < cluster.high) & (-theta.real * record.sample_rate < 150.0)]
        offers.setdefault(theta.size, theta)
    fit = grow(problem, cluster.theta, offers)
    cluster.theta, cluster.amplitude, cluster.problem, cluster.fit = fit.theta, fit.amplitude, problem, fit


def _rewindow(search: _Search, clusters: list[_Cluster]) -> list[_Cluster]:
    """Windows drawn anew round the lines found, wide against their linewidths, meeting half way between neighbours."""
    rate = search.record.sample_rate
    clusters = sorted((c for c in clusters if c.theta.size), key=lambda c: float(_lines(c.theta, rate).min()))
    for place, cluster in enumerate(clusters):
        line, decay = _lines(cluster.theta, rate), -cluster.theta.real * rate
        margin = np.clip(2.0 * decay + 3.0 / search.record.duration, MARGIN, 80.0)
        cluster.low, cluster.high = float((line - margin).min()), float((line + margin).max())
        if place:
            before = _lines(clusters[place - 1].theta, rate).max()
            cluster.low = max(cluster.low, 0.5 * float(before + line.min()))
        if place + 1 < len(clusters):
            after = _lines(clusters[place + 1].theta, rate).min()
            cluster.high = min(cluster.high, 0.5 * float(after + line.max()))
        cluster.low = max(2.0, cluster.low)
    return clusters


def _refit(search: _Search, clusters: list[_Cluster], cluster: _Cluster) -> None:
    """Refine one cluster with the present lines of the others."""
    problem = _problem(search, clusters, cluster)
    fit = settle(cluster.theta, problem, rounds=1)
    cluster.theta, cluster.amplitude, cluster.problem, cluster.fit = fit.theta, fit.amplitude, problem, fit


def _report(search: _Search, clusters: list[_Cluster]) -> Partials:
    """The lines of all clusters with their standard deviations, by rising frequency."""
    record = search.record
    parts = [_describe(record, c.problem, c.fit) for c in clusters if c.problem is not None and c.fit is not None]
    return _join(parts, record.lengths.size)


def _describe(record: Segments, problem: Problem, fit: Fit) -> Partials:
    """The lines of one window with their standard deviations."""
    rate, window = record.sample_rate, problem.window
    variance = noise_variance(fit, problem)
    fit = solve_linear(fit.theta, problem.data, window, 1.0 / variance)
    sd = np.sqrt(pole_variance(fit, problem.data, window)) * rate
    noise = np.sqrt(variance / record.lengths)[:, None] * np.ones(fit.theta.size)
    spread = np.sqrt(variance)[:, None] * _amplitude_scale(fit, window)
    line, decay = _lines(fit.theta, rate), -fit.theta.real * rate
    own = np.ones(fit.theta.size)
    return Partials(line, decay, fit.amplitude, sd / (2.0 * math.pi), sd, spread, noise, own)


def _amplitude_scale(fit: Fit, window: Window) -> Floats:
    """Standard deviation of amplitudes (S, P) per unit of a bin's, poles held."""
    basis = np.concatenate([line_shape(fit.theta, window)[0], window.background], axis=2)
    inverse = np.linalg.inv(basis.conj().transpose(0, 2, 1) @ basis)
    diagonal = np.abs(np.einsum("uii->ui", inverse))[:, : fit.theta.size]
    return np.sqrt(2.0 * diagonal)[window.sharing]


def _join(parts: list[Partials], segments: int) -> Partials:
    """Partials of several windows in one, by rising frequency."""
    if not parts:
        none, empty = np.zeros(0), np.zeros((segments, 0))
        return Partials(none, none, empty.astype(np.complex128), none, none, empty, empty, none)
    order = np.argsort(np.concatenate([part.frequency for part in parts]), kind="stable")
    columns = [np.concatenate([getattr(p, f.name) for p in parts], axis=-1)[..., order] for f in fields(Partials)]
    return Partials(*columns)


def _choose(partials: Partials, least_own: float, most: int) -> Partials:
    """Lines that decay as a drum's do, with a say of their own, and of these the `most` strongest."""
    rate = partials.decay_rate
    keep = (rate > SLOWEST_DECAY) & (rate < FASTEST_REPORTED)
    partials = partials.only(np.flatnonzero(keep))
    partials = replace(partials, own=_own_share(partials))
    partials = partials.only(np.flatnonzero(partials.own >= least_own))
    strength = (np.abs(partials.amplitude) ** 2).sum(axis=0)
    return partials.only(np.sort(np.argsort(-strength, kind="stable")[:most]))


def _own_share(partials: Partials) -> Floats:
    """Share of each line's energy over the segments that its stronger neighbours' amplitudes do not explain."""
    rate, amplitude = partials.decay_rate, partials.amplitude
    energy = (np.abs(amplitude) ** 2).sum(axis=0) / rate * np.exp(-2.0 * rate * LATER)
    share = np.ones(rate.size)
    for place in np.argsort(-energy):
        near = np.abs(partials.frequency - partials.frequency[place]) < NEIGHBOURHOOD
        near &= (energy > energy[place]) & (share >= LEAST_OWN)
        if near.any() and amplitude.shape[0] >= near.sum() + SPARE_SEGMENTS:
            span = np.linalg.qr(amplitude[:, near])[0]
            mine = amplitude[:, place]
            rest = mine - span @ (span.conj().T @ mine)
            share[place] = float((np.abs(rest) ** 2).sum() / (np.abs(mine) ** 2).sum())
    return share
