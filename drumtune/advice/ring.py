"""What a hit of a whole drum sounds like over time: note, after-note, decay, partials, beats; per hit and in sum.

Frequencies in Hz, times in s, levels in dB, intervals in cents. Reads samples of one channel; what to do about it is
said by advice/damping.py. Every figure that the recording does not bear is kept, but marked invalid with its reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.families import Mode, name_modes
from drumtune.dsp.bands import BandDecay, band_decays
from drumtune.dsp.decay import DecayFigures, EnergyDecay, Figure, decay_figures, energy_decay
from drumtune.dsp.flat_lines import LATE
from drumtune.dsp.glide import FIRST
from drumtune.dsp.hit import HitLines, hear_lines
from drumtune.dsp.hits import Hit, find_hits
from drumtune.errors import TakeError
from drumtune.notes import note_name
from drumtune.physics.hearing import AUDIBLE_DROP, first_null_drop

Array = NDArray[np.float64]

Cause = Literal["uneven head or two heads", "two heads", "two families", "another sound"]
"""What parts two near lines. docs/physics.md, "Beats"."""
_SHORTEST = 0.1
_DEEPEST = 60.0


@dataclass(frozen=True, slots=True)
class Partial:
    """One line: frequency and its sd, level under the strongest line 10 ms after the onset, T60 and its sd, mode."""

    frequency_hz: float
    frequency_sd_hz: float
    level_db: float
    decay_s: float
    decay_sd_s: float
    mode: Mode | None


@dataclass(frozen=True, slots=True)
class Beat:
    """A near pair that lasts: its lines, rate, depth at 0.25 s, whether it is heard, and its cause."""

    low_hz: float
    high_hz: float
    rate_hz: float
    depth_db: float
    audible: bool
    cause: Cause


@dataclass(frozen=True, slots=True)
class HitReading:
    """One hit.

    `lines` is None when no partial stands out (then note and glide are unknown too); `decay` and `signal` are kept for
    pictures. `faults` are sentences: clipped, short, the fall not over.
    """

    start_s: float
    figures: DecayFigures
    decay: EnergyDecay
    bands: tuple[BandDecay, ...]
    lines: HitLines | None
    partials: tuple[Partial, ...]
    beats: tuple[Beat, ...]
    faults: tuple[str, ...]
    signal: Array
    rate: float

    @property
    def settled_hz(self) -> float | None:
        """Settled pitch of the main partial, Hz."""
        return None if self.lines is None else self.lines.glide.settled

    @property
    def note(self) -> tuple[str, float] | None:
        """Nearest note of the settled pitch and the cents from it."""
        return None if self.settled_hz is None else note_name(self.settled_hz)

    @property
    def glide_cents(self) -> float | None:
        """Fall of the main partial from its mean pitch at 40 to 120 ms to the settled one."""
        return None if self.lines is None else self.lines.glide.fall_cents

    @property
    def main(self) -> Partial | None:
        """The partial that is strongest in the sound after 0.1 s."""
        return None if self.lines is None else self.partials[self.lines.main]


def read_hits(samples: Array, rate: float, *, radius: float | None = None, fraction: int = 1) -> tuple[HitReading, ...]:
    """Find the hits of a recording and read each.

    Parameters
    ----------
    samples
        Shape (n,), one channel, full scale 1.
    rate
        Hz.
    radius
        Of the head, m, to name the modes; None when not known.
    fraction
        Bands to the octave: 1 or 3.

    Raises
    ------
    ValueError
        If `samples` is not one channel of finite samples.
    TakeError
        ``"silence"``, ``"noise"``, or ``"short"`` when no hit lasts 0.1 s or one is over at once.
    """
    hits = find_hits(samples, rate)
    long_enough = [hit for hit in hits if hit.end - hit.start >= _SHORTEST * rate]
    if not long_enough:
        longest = max(hit.end - hit.start for hit in hits) / rate
        raise TakeError(
            f"no hit lasts 0.1 s (the longest has {longest:.2f} s): let the drum ring out before the recording ends",
            reason="short",
        )
    return tuple(read_hit(samples, rate, hit, radius, fraction) for hit in long_enough)


def read_hit(samples: Array, rate: float, hit: Hit, radius: float | None, fraction: int = 1) -> HitReading:
    """Read one hit of a recording.

    Raises
    ------
    TakeError
        ``"short"`` if it is over before a decay can be seen.
    """
    signal = samples[hit.start : hit.end] - np.median(samples[hit.start : hit.end])
    decay = _decay(signal, rate, hit)
    figures = decay_figures(decay)
    lines = hear_lines(signal, rate)
    partials = () if lines is None else _partials(lines, radius)
    beats = () if lines is None else _beats(lines, partials, decay.floor_db)
    if hit.clipped:
        figures = _all_invalid(figures, "clipped: the loudest part is cut off, so the fall from it is not known")
    bands = band_decays(signal, rate, fraction)
    faults = _faults(hit, decay, lines, rate)
    return HitReading(hit.start / rate, figures, decay, bands, lines, partials, beats, faults, signal, rate)


def _decay(signal: Array, rate: float, hit: Hit) -> EnergyDecay:
    try:
        return energy_decay(signal, rate)
    except ValueError as cause:
        raise TakeError(
            f"the hit at {hit.start / rate:.2f} s is over at once, like a click: record the drum ringing out",
            reason="short",
        ) from cause


def _all_invalid(figures: DecayFigures, reason: str) -> DecayFigures:
    edt, t20, t30 = (
        replace(f, valid=False, reason=f.reason or reason) for f in (figures.edt, figures.t20, figures.t30)
    )
    return DecayFigures(edt, t20, t30, figures.curvature_percent)


def _faults(hit: Hit, decay: EnergyDecay, lines: HitLines | None, rate: float) -> tuple[str, ...]:
    """What is wrong with a hit, in sentences."""
    when = f"hit at {hit.start / rate:.2f} s"
    found = []
    if hit.clipped:
        found.append(f"{when}: clipped, so levels and decay figures are doubtful; turn the recording level down")
    if lines is None:
        found.append(f"{when}: no partial stands out of the noise, so there is no note")
    elif not lines.over:
        found.append(f"{when}: the sound ends before its pitch has settled; the settled pitch is carried on by the law")
    if not decay.floor.reached and decay.levels[-1] > -35.0:
        found.append(f"{when}: the recording ends while it still rings ({-decay.levels[-1]:.0f} dB down)")
    return tuple(found)


def _partials(lines: HitLines, radius: float | None) -> tuple[Partial, ...]:
    modes = name_modes(lines.frequency, lines.level_db, radius)
    times = lines.decay_time
    return tuple(
        Partial(
            float(lines.frequency[k]), float(lines.frequency_sd[k]), float(lines.level_db[k]), float(times[k]),
            float(times[k] * lines.decay_rate_sd[k] / lines.decay_rate[k]), modes[k],
        )
        for k in range(lines.frequency.size)
    )  # fmt: skip


def _beats(lines: HitLines, partials: tuple[Partial, ...], floor_db: float) -> tuple[Beat, ...]:
    """Beats of the near pairs."""
    return tuple(_beat(lines, partials, pair, floor_db) for pair in lines.pairs)


def _beat(lines: HitLines, partials: tuple[Partial, ...], pair: tuple[int, int], floor_db: float) -> Beat:
    low, high = (partials[k] for k in pair)
    size = np.array([lines.amplitude[k] * np.exp(-lines.decay_rate[k] * (LATE - FIRST)) for k in pair])
    rate = high.frequency_hz - low.frequency_hz
    depth = min(float(20.0 * np.log10(size.sum() / max(abs(size[0] - size[1]), 1e-12))), _DEEPEST)
    drop = float(first_null_drop(rate, max(low.decay_s, high.decay_s)))
    heard = drop < min(AUDIBLE_DROP, -floor_db - max(-low.level_db, 0.0))
    return Beat(low.frequency_hz, high.frequency_hz, rate, depth, heard, _cause(partials, pair))


def _cause(partials: tuple[Partial, ...], pair: tuple[int, int]) -> Cause:
    """What may part two near lines, by their modes; the lowest strong line is taken for (0,1) where it has no name.

    One head has two lines of every family with diameters and one of the others; two heads double them all, but the
    enclosed air keeps their (0,1) far apart.
    """
    modes = {mode for mode in (partials[k].mode for k in pair) if mode is not None}
    if len(modes) > 1:
        return "two families"
    for mode in modes:
        return "uneven head or two heads" if mode[0] > 0 else "another sound" if mode[1] == 1 else "two heads"
    strong = [k for k, partial in enumerate(partials) if partial.level_db > -20.0]
    return "another sound" if pair[0] == min(strong, default=0) else "uneven head or two heads"


@dataclass(frozen=True, slots=True)
class Spread:
    """Median of a figure over hits and its spread (largest minus smallest), and how many hits it rests on."""

    median: float
    spread: float
    hits: int


def spread_of(values: list[float | None]) -> Spread | None:
    """Median and spread of the values there are; None when there is none."""
    kept = [value for value in values if value is not None]
    if not kept:
        return None
    return Spread(float(np.median(kept)), float(max(kept) - min(kept)), len(kept))


def valid_value(figure: Figure) -> float | None:
    """A figure's value, or None when it is not valid."""
    return figure.value if figure.valid else None


def summary(hits: tuple[HitReading, ...]) -> dict[str, Spread | None]:
    """Median and spread over hits: settled pitch (Hz), glide (cents), EDT, T20, T30 (s; valid ones), main decay (s)."""
    return {
        "settled_hz": spread_of([hit.settled_hz for hit in hits]),
        "glide_cents": spread_of([hit.glide_cents for hit in hits]),
        "edt_s": spread_of([valid_value(hit.figures.edt) for hit in hits]),
        "t20_s": spread_of([valid_value(hit.figures.t20) for hit in hits]),
        "t30_s": spread_of([valid_value(hit.figures.t30) for hit in hits]),
        "main_decay_s": spread_of([hit.main.decay_s if hit.main else None for hit in hits]),
    }


@dataclass(frozen=True, slots=True)
class BandSummary:
    """T20 of one band over hits: exact centre (Hz), median (s), whether any hit's is valid, else the reason."""

    centre_hz: float
    t20_s: float | None
    valid: bool
    reason: str


def band_summary(hits: tuple[HitReading, ...]) -> tuple[BandSummary, ...]:
    """Median T20 of each band, of the valid ones where there are any."""
    centres = sorted({round(band.centre, 6) for hit in hits for band in hit.bands})
    return tuple(_one_band(hits, centre) for centre in centres)


def _one_band(hits: tuple[HitReading, ...], centre: float) -> BandSummary:
    figures = [band.figures.t20 for hit in hits for band in hit.bands if round(band.centre, 6) == centre]
    valid = [figure.value for figure in figures if figure.valid]
    values = valid or [figure.value for figure in figures if figure.value is not None]
    median = spread_of(list(values))
    reason = "" if valid else next((figure.reason for figure in figures if figure.reason), "")
    return BandSummary(centre, None if median is None else median.median, bool(valid), reason)
