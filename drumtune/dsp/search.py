"""The search: peaks, windows round them, lines in each window, and again in what they leave.

Windows are solved one after the other, each with the present lines of all others taken away, until they agree.
Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.ndimage
import scipy.special
from numpy.typing import NDArray

from drumtune.dsp.cluster import ROUGH, Problem, grow, noise_variance, settle
from drumtune.dsp.refine import ENOUGH_SEGMENTS, Fit, solve_linear
from drumtune.dsp.spectra import Segments, cut_window, model_spectrum
from drumtune.dsp.subspace import esprit_poles

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MARGIN = 30.0
"""Hz on either side of a line, at least, that its window takes in where no neighbour stands nearer."""
FINAL_MARGIN = 60.0
"""Hz, the same for the last fit: the skirts beyond hold under 1 % of what can be known of a line of T60 0.5 s."""
BACKGROUND = 3
"""Terms of the smooth background while lines are looked for: it stands for all that is not known outside."""
SMOOTH = 0.05
"""Chance under which background terms are kept in the last fit."""
EXACT = 1e-4
"""Gain, in bins' energies, at which the last fit stops: 1 % of a standard deviation."""
WIDEST = 120.0
"""Hz, the widest window whose lines are fitted together; more lines are split at their widest gap."""
APART = 3.0
"""Hz, the least distance of two peaks; nearer lines are told apart by the fit, not by the peaks."""
PROMINENCE = 10.0
"""Power of a peak over the median round it: noise reaches it once in a thousand bins, the F test sees to the rest."""
ROUNDS = 3
"""Searches for peaks: the first in the spectrum, the others in what the lines found so far leave."""


@dataclass(slots=True)
class Cluster:
    """Lines fitted together in one window, with the last problem solved there."""

    low: float
    high: float
    theta: Complexes
    amplitude: Complexes
    problem: Problem | None = None
    fit: Fit | None = None
    background: int = BACKGROUND
    peaks: int = 0


@dataclass(frozen=True, slots=True)
class Search:
    """What every step of one search needs."""

    record: Segments
    low: float
    high: float
    max_together: int
    floor_db: float


def line_frequencies(theta: Complexes, rate: float) -> Floats:
    """Frequencies in Hz of poles per sample."""
    return np.asarray(theta.imag * rate / (2.0 * math.pi), dtype=np.float64)


def known(clusters: list[Cluster], segments: int) -> tuple[Complexes, Complexes]:
    """Poles (P,) and amplitudes (S, P) of the given clusters together."""
    if not clusters:
        return np.zeros(0, dtype=np.complex128), np.zeros((segments, 0), dtype=np.complex128)
    return np.concatenate([c.theta for c in clusters]), np.concatenate([c.amplitude for c in clusters], axis=1)


def _padded_residual(search: Search, clusters: list[Cluster]) -> Complexes:
    """Padded spectra of the segments less the lines of `clusters`."""
    record = search.record
    theta, amplitude = known(clusters, record.lengths.size)
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


def find_clusters(search: Search) -> list[Cluster]:
    """All windows with lines, after every round of the search."""
    clusters: list[Cluster] = []
    for _ in range(ROUNDS):
        if not look(search, clusters):
            break
        clusters = rewindow(search, clusters)
        for _ in range(2):
            for cluster in clusters:
                refit(search, clusters, cluster)
    return finish(search, clusters)


def finish(search: Search, clusters: list[Cluster]) -> list[Cluster]:
    """A last fit in wider windows, with no more background than the data ask for: each term costs exactness."""
    clusters = rewindow(search, clusters, least=FINAL_MARGIN)
    for cluster in clusters:
        cluster.background = _background_asked(problem_of(search, clusters, cluster), cluster.theta)
        refit(search, clusters, cluster, enough=EXACT)
    for cluster in clusters:
        refit(search, clusters, cluster, enough=EXACT)
    return clusters


def _background_asked(problem: Problem, theta: Complexes) -> int:
    """Fewest terms of background that leave no significantly larger residual than all of them (F test)."""
    window, ones = problem.window, np.ones(problem.data.shape[0])
    most = int(window.background.shape[2])
    full = solve_linear(theta, problem.data, window, ones, slope=False)
    weight = 1.0 / noise_variance(full, problem)
    low = float((full.residual * weight).sum())
    segments = problem.data.shape[0]
    free = 2.0 * float(window.samples.sum()) - 2.0 * segments * (most + theta.size)
    for terms in range(most):
        part = replace(window, background=window.background[:, :, :terms])
        high = float((solve_linear(theta, problem.data, part, ones, slope=False).residual * weight).sum())
        asked = 2.0 * segments * (most - terms)
        if free < 2.0 or scipy.special.fdtrc(asked, free, max(0.0, high - low) / asked / (low / free)) > SMOOTH:
            return terms
    return most


def look(search: Search, clusters: list[Cluster]) -> bool:
    """Find peaks in what `clusters` leave, fit lines to them, and say whether any line was added."""
    record = search.record
    rest = _padded_residual(search, clusters)
    peaks, power = _peaks(search, rest)
    added = False
    for low, high, heard in sorted(_windows(peaks, power), key=lambda w: -float(w[2].max())):
        home = next((c for c in clusters if c.low < 0.5 * (low + high) < c.high), None)
        cluster = home or Cluster(low, high, *known([], record.lengths.size))
        before = cluster.theta.size
        cluster.peaks += heard.size if home is None else 1
        _grow(search, clusters, cluster)
        if home is None and cluster.theta.size:
            clusters.append(cluster)
        added |= cluster.theta.size > before
    return added


def _peaks(search: Search, spectra: Complexes) -> tuple[Floats, Floats]:
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


def problem_of(search: Search, clusters: list[Cluster], cluster: Cluster) -> Problem:
    """The cluster's window less the lines of the others and the mirror image of its own."""
    record = search.record
    window = cut_window(record, cluster.low, cluster.high, background=cluster.background)
    others = known([c for c in clusters if c is not cluster], record.lengths.size)
    data = window.data - model_spectrum(*others, window, own=True)
    data = data - model_spectrum(cluster.theta, cluster.amplitude, window, own=False)
    most = search.max_together if record.lengths.size >= ENOUGH_SEGMENTS else cluster.peaks + 2
    return Problem(window, data, record.sample_rate, min(most, search.max_together))


def _grow(search: Search, clusters: list[Cluster], cluster: Cluster) -> None:
    """Add lines to one cluster."""
    record = search.record
    problem = problem_of(search, clusters, cluster)
    rest = _padded_residual(search, [c for c in clusters if c is not cluster])
    middle, width = 0.5 * (cluster.low + cluster.high), max(12.0, 0.35 * (cluster.high - cluster.low))
    offers: dict[int, Complexes] = {}
    for poles in esprit_poles(rest, record, middle, width, range(1, 2 * search.max_together + 1)).values():
        theta = np.asarray(poles / record.sample_rate, dtype=np.complex128)
        line = line_frequencies(theta, record.sample_rate)
        theta = theta[(line > cluster.low) & (line < cluster.high) & (-theta.real * record.sample_rate < 150.0)]
        offers.setdefault(theta.size, theta)
    fit = grow(problem, cluster.theta, offers)
    cluster.theta, cluster.amplitude, cluster.problem, cluster.fit = fit.theta, fit.amplitude, problem, fit


def rewindow(search: Search, clusters: list[Cluster], *, least: float = MARGIN) -> list[Cluster]:
    """Windows drawn anew round the lines found, wide against their linewidths, meeting half way between neighbours."""
    rate = search.record.sample_rate
    clusters = sorted((c for c in clusters if c.theta.size), key=lambda c: float(line_frequencies(c.theta, rate).min()))
    for place, cluster in enumerate(clusters):
        line, decay = line_frequencies(cluster.theta, rate), -cluster.theta.real * rate
        margin = np.clip(2.0 * decay + 3.0 / search.record.duration, least, 80.0)
        cluster.low, cluster.high = float((line - margin).min()), float((line + margin).max())
        if place:
            before = line_frequencies(clusters[place - 1].theta, rate).max()
            cluster.low = max(cluster.low, 0.5 * float(before + line.min()))
        if place + 1 < len(clusters):
            after = line_frequencies(clusters[place + 1].theta, rate).min()
            cluster.high = min(cluster.high, 0.5 * float(after + line.max()))
        cluster.low = max(2.0, cluster.low)
    return clusters


def refit(search: Search, clusters: list[Cluster], cluster: Cluster, *, enough: float = ROUGH) -> None:
    """Refine one cluster with the present lines of the others."""
    problem = problem_of(search, clusters, cluster)
    fit = settle(cluster.theta, problem, rounds=1, enough=enough)
    cluster.theta, cluster.amplitude, cluster.problem, cluster.fit = fit.theta, fit.amplitude, problem, fit
