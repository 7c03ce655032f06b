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
from numpy.typing import ArrayLike, NDArray

from drumtune.dsp.cluster import Problem, noise_variance
from drumtune.dsp.pairs import RUNG, UNLIKE
from drumtune.dsp.refine import ENOUGH_SEGMENTS, Fit, pole_variance, solve_linear
from drumtune.dsp.search import Cluster, Search, find_clusters, line_frequencies
from drumtune.dsp.sift import Settled, sift
from drumtune.dsp.spectra import Segments, Window, as_rows, as_segments, line_shape

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


SLOWEST_DECAY = 0.3
"""Lines that decay more slowly (1/s; T60 over 23 s) are hum or a whistle, not a drum's: fitted, not reported."""
FASTEST_REPORTED = 150.0
"""Lines that decay faster (1/s; T60 under 46 ms) are what a click or the contact leaves: fitted, not reported."""
LEAST_OWN = 0.12
"""Least `own` share of a reported line: rooms' lines had under 0.07, modes over 0.3, in simulated takes."""
RUNG_OWN = 0.5
"""The same for lines close to one that lasts much longer: strokes of unlike strength glide unlike, and ladders vary."""
NEIGHBOURHOOD = 40.0
"""Hz within which a stronger line may have woken a room's line."""
LATER = 0.06
"""s after which energies are compared for `own`: a room has fallen behind a head by then, (0,2) is still there."""
SPARE_SEGMENTS = 4
"""Segments wanted beyond the number of stronger neighbours before `own` says anything."""


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
    rows = as_rows(segments)
    record = as_segments(rows, sample_rate)
    search = Search(record, low, high, max_together, floor_db)
    return _choose(_report(record, rows, find_clusters(search)), least_own, max_partials)


def _report(record: Segments, rows: list[Floats], clusters: list[Cluster]) -> Partials:
    """The lines of all clusters with their standard deviations, rungs of gliding lines taken out."""
    parts = [_describe(record, c.problem, c.fit) for c in clusters if c.problem is not None and c.fit is not None]
    whole = _join(parts, record.lengths.size)
    if record.lengths.size >= ENOUGH_SEGMENTS or whole.frequency.size < 2:
        return whole
    sifted = sift(record, rows, clusters)
    gliding = [_settled_line(record, line) for line in sifted.settled if sifted.kept[line.place]]
    kept = sifted.kept.copy()
    kept[[line.place for line in sifted.settled]] = False
    return _join([whole.only(np.flatnonzero(kept)), *gliding], record.lengths.size)


def _settled_line(record: Segments, line: Settled) -> Partials:
    """A gliding line with the pole of its settled part and the amplitudes of its start."""
    return replace(_describe(record, line.problem, line.fit), amplitude=line.amplitude[:, None])


def _describe(record: Segments, problem: Problem, fit: Fit) -> Partials:
    """The lines of one window with their standard deviations."""
    rate, window = record.sample_rate, problem.window
    variance = noise_variance(fit, problem)
    fit = solve_linear(fit.theta, problem.data, window, 1.0 / variance)
    sd = np.sqrt(pole_variance(fit, problem.data, window)) * rate
    noise = np.sqrt(variance / window.lengths)[:, None] * np.ones(fit.theta.size)
    spread = np.sqrt(variance)[:, None] * _amplitude_scale(fit, window)
    line, decay = line_frequencies(fit.theta, rate), -fit.theta.real * rate
    own = np.ones(fit.theta.size)
    return Partials(line, decay, fit.amplitude, sd / (2.0 * math.pi), sd, spread, noise, own)


def _amplitude_scale(fit: Fit, window: Window) -> Floats:
    """Standard deviation of amplitudes (S, P) per unit of a bin's, poles held."""
    basis = np.concatenate([line_shape(fit.theta, window)[0], window.background], axis=2)
    inverse = np.linalg.inv(basis.conj().transpose(0, 2, 1) @ basis)
    diagonal = np.abs(np.einsum("uii->ui", inverse))[:, : fit.theta.size]
    return np.asarray(np.sqrt(2.0 * diagonal)[window.sharing], dtype=np.float64)


def _join(parts: list[Partials], segments: int) -> Partials:
    """Partials of several windows in one."""
    if not parts:
        none, empty = np.zeros(0), np.zeros((segments, 0))
        return Partials(none, none, empty.astype(np.complex128), none, none, empty, empty, none)
    return Partials(*(np.concatenate([getattr(p, f.name) for p in parts], axis=-1) for f in fields(Partials)))


def _choose(partials: Partials, least_own: float, most: int) -> Partials:
    """Lines that decay as a drum's do, with a say of their own, and of these the `most` strongest."""
    rate = partials.decay_rate
    keep = (rate > SLOWEST_DECAY) & (rate > 2.0 * partials.decay_rate_sd) & (rate < FASTEST_REPORTED)
    order = np.argsort(partials.frequency, kind="stable")
    partials = partials.only(order[keep[order]])
    partials = replace(partials, own=_own_share(partials))
    asked = np.where(_rung_like(partials), min(1.0, RUNG_OWN / LEAST_OWN * least_own), least_own)
    partials = partials.only(np.flatnonzero(partials.own >= asked))
    strength = (np.abs(partials.amplitude) ** 2).sum(axis=0) / partials.decay_rate
    return partials.only(np.sort(np.argsort(-strength, kind="stable")[:most]))


def _rung_like(partials: Partials) -> NDArray[np.bool_]:
    """Lines that stand close to a longer-lasting one and die much faster, as the rungs of a glide's ladder do."""
    line, rate = partials.frequency, partials.decay_rate
    close = np.abs(line[:, None] - line) < RUNG * line
    return np.asarray((close & (rate[:, None] > UNLIKE * rate)).any(axis=1), dtype=np.bool_)


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
