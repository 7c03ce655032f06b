"""Ranking of a scan of the bottom head for what the player wants, with what it gains and what it costs.

Aims: ``long`` (the longest after-note), ``short`` (the shortest), ``open`` (most sound left after the first 80 ms),
``no-beats`` (the (1,1) pair beats least), ``note X`` (the drum's lower (0,1) sounds note X). But for a note, offsets at
which the heads beat strikingly against each other are passed over. Offsets that the ear does not tell apart by the
aim's measure rank as one, and the one with most ring stands for them (for ``open`` the longest, for ``short`` the one
with least ring, for ``no-beats`` the one nearest to equal heads). Measures are those of `drumtune.advice.pair.Scan`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.pair import TWO_NOTES, Scan
from drumtune.errors import StandError
from drumtune.notes import interval_name, note_frequency, note_name

AIMS = ("long", "short", "open", "no-beats")
BEATING = 0.25
"""Above this `Scan.beating` heads are said to beat (our own choice; no published limit for drums)."""
FREE = 0.05
"""Below this nobody is likely to hear beats (our own choice)."""
SAME_LENGTH = 0.05
"""Relative difference of decay that is just heard (JND of EDT, ISO 3382-1)."""
SAME_LEVEL = 1.0
"""Difference of level that is just heard, dB (JND of strength, ISO 3382-1, from memory)."""
APART = 2.0
"""Least distance in semitones of two recommendations."""
COUNT = 3


@dataclass(frozen=True, slots=True)
class Aim:
    """What the player wants: one of `AIMS`, or ``note`` with its frequency in Hz and its name."""

    kind: str
    note_hz: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """One recommendation: rank from 1, place in the scan, offset in semitones, and why, in words."""

    rank: int
    index: int
    semitones: float
    why: str


@dataclass(frozen=True, slots=True)
class Measure:
    """How offsets serve an aim, arrays (N,).

    `score` is better when less, `same` the difference in it that is not heard, `tie` what then decides (more is
    better); `shown` is the value for a sentence, with its name, unit and digits.
    """

    score: NDArray[np.float64]
    same: float
    tie: NDArray[np.float64]
    shown: NDArray[np.float64]
    words: str
    unit: str
    digits: int


def parse_aim(text: str) -> Aim:
    """Read an aim as typed: ``long``, ``short``, ``open``, ``no-beats`` or ``note A2`` (also ``A2`` alone).

    Raises
    ------
    StandError
        If it is none of these.
    """
    words = text.strip().split()
    if len(words) == 1 and words[0].lower() in AIMS:
        return Aim(words[0].lower())
    name = words[1] if len(words) == 2 and words[0].lower() == "note" else words[0] if len(words) == 1 else ""
    try:
        return Aim("note", note_frequency(name), name[:1].upper() + name[1:])
    except ValueError:
        raise StandError(
            f"an aim is {', '.join(AIMS)} or a note such as 'note A2', got {text!r}: check --aim"
        ) from None


def measure(scan: Scan, aim: Aim) -> Measure:
    """How well each offset serves an aim."""
    length, ring = scan.after_note, scan.late_level
    if aim.kind == "long":
        return Measure(-length, SAME_LENGTH * _top(length), ring, length, "lasts", " s", 2)
    if aim.kind == "short":
        return Measure(length, SAME_LENGTH * _top(-length), -ring, length, "lasts", " s", 2)
    if aim.kind == "open":
        return Measure(-ring, SAME_LEVEL, length, ring, "sound left after 80 ms", " dB", 1)
    if aim.kind == "no-beats":
        return Measure(
            scan.beating, FREE, 0.1 * ring - np.abs(scan.semitones), 100.0 * scan.beating, "beating", " %", 0
        )
    off = 1200.0 * np.log2(scan.low / aim.note_hz)
    return Measure(np.abs(off), 1.0, ring, off, f"low note against {aim.note}", " cents", 0)


def _top(values: NDArray[np.float64]) -> float:
    """Greatest known value's magnitude, or 1 where none is known."""
    known = values[np.isfinite(values)]
    return abs(float(known.max())) if known.size else 1.0


def rank(scan: Scan, aim: Aim, reference: Scan) -> tuple[Advice, ...]:
    """Best offsets for an aim, at most three and two semitones apart, each with its reason.

    Parameters
    ----------
    scan
        At least one offset.
    aim
        See `parse_aim`.
    reference
        One offset of the same drum, which gain and cost are told against: where the bottom head is now, or equal heads.

    Raises
    ------
    StandError
        If the bottom head's film allows none of the offsets.
    """
    value = measure(scan, aim)
    allowed = _allowed(scan, aim)
    if not allowed.any():
        raise StandError("no offset in this range suits the bottom head's film: check film, size and pitch")
    behind = np.floor((value.score - np.min(value.score[allowed])) / value.same)
    order = [int(i) for i in np.lexsort((-value.tie, behind)) if allowed[i]]
    chosen: list[int] = []
    for i in order:
        if all(abs(scan.semitones[i] - scan.semitones[k]) >= APART for k in chosen):
            chosen.append(i)
        if len(chosen) == COUNT:
            break
    return tuple(
        Advice(place, i, float(scan.semitones[i]), _why(scan, aim, i, reference))
        for place, i in enumerate(chosen, start=1)
    )


def _allowed(scan: Scan, aim: Aim) -> NDArray[np.bool_]:
    """Offsets that may be recommended for an aim."""
    return scan.usable if aim.kind == "note" else scan.usable & (scan.beating <= BEATING)


def exact_offset(scan: Scan, note_hz: float) -> float | None:
    """Offset in semitones at which the low (0,1) sounds `note_hz`, between those of the scan; None if it never does."""
    known = np.flatnonzero(scan.usable)
    low, steps = scan.low[known], scan.semitones[known]
    order = np.argsort(low)
    if low.size == 0 or not low[order[0]] <= note_hz <= low[order[-1]]:
        return None
    return float(np.interp(np.log(note_hz), np.log(low[order]), steps[order]))


def _why(scan: Scan, aim: Aim, i: int, reference: Scan) -> str:
    value, before = measure(scan, aim), measure(reference, aim)
    elsewhere = bool(abs(scan.semitones[i] - reference.semitones[0]) > 0.01 and reference.usable[0])
    parts = [f"{value.words} {_figure(value.shown[i], value)}"]
    if elsewhere and aim.kind == "note":
        parts[0] += f", with {named(reference.semitones[0])} {_figure(before.shown[0], value)}"
    elif elsewhere:
        gain = value.shown[i] - before.shown[0]
        parts[0] += f", {gain:+z.{value.digits}f}{value.unit} against {named(reference.semitones[0])}"
        parts[0] += " (too little to hear)" if abs(value.score[i] - before.score[0]) < value.same else ""
    if aim.kind == "note":
        exact = exact_offset(scan, aim.note_hz)
        parts.append("out of reach of the bottom head alone" if exact is None else f"exact at {exact:+.1f} semitones")
    if elsewhere and reference.beating[0] > BEATING and aim.kind != "no-beats" and scan.beating[i] < FREE:
        parts.append(f"no beats (there {reference.beat[0]:.1f} a second, {100 * reference.beat_depth[0]:.0f} % deep)")
    note, cents = note_name(float(scan.low[i]))
    parts.append(f"sounds {note} {cents:+z.0f} cents ({scan.low[i]:.1f} Hz)")
    costs = _costs(scan, i) + (_losses(scan, aim, i, reference) if elsewhere else [])
    parts.append("costs " + (", ".join(costs) if costs else "nothing that was computed"))
    return "; ".join(parts)


def _figure(shown: float, value: Measure) -> str:
    sign = "+" if value.unit == " cents" else ""
    return f"{shown:{sign}z.{value.digits}f}{value.unit}"


def _costs(scan: Scan, i: int) -> list[str]:
    """What an offset has against it, in words."""
    costs = []
    if scan.beating[i] > FREE:
        what = "beats at" if scan.beat[i] < TWO_NOTES else "a rough (1,1) pair, apart by"
        costs.append(f"{what} {scan.beat[i]:.1f} Hz, {100 * scan.beat_depth[i]:.0f} % deep")
    if scan.stress[i] > 0.5:
        costs.append(
            f"a bottom film at {100 * scan.stress[i]:.0f} % of its safe stress (the maker's limit comes first)"
        )
    return costs


def _losses(scan: Scan, aim: Aim, i: int, reference: Scan) -> list[str]:
    """What is lost against the reference, but for what the aim itself asks to lose."""
    shorter = reference.after_note[0] - scan.after_note[i]
    softer = reference.late_level[0] - scan.late_level[i]
    moved = 12.0 * np.log2(scan.low[i] / reference.low[0])
    found = []
    if shorter > 0.05 * reference.after_note[0] and aim.kind != "short":
        found.append(f"{shorter:.2f} s of its length")
    if softer > 1.0 and aim.kind != "short":
        found.append(f"{softer:.1f} dB of ring")
    if abs(moved) > 0.25 and aim.kind != "note":
        found.append(f"a drum that sounds {abs(moved):.1f} semitones {'higher' if moved > 0 else 'lower'}")
    return found


def named(semitones: float) -> str:
    """Words for an offset: 'equal heads', 'the bottom head a fourth up', or the number where it is not whole."""
    whole = round(float(semitones))
    if abs(whole - semitones) > 0.01:
        return f"the bottom head {semitones:+.1f} semitones from the top"
    if whole == 0:
        return "equal heads"
    name = interval_name(whole) + ("" if whole < 0 else " up")
    return f"the bottom head {'an' if name[0] in 'aeiou' else 'a'} {name}"


def spans(scan: Scan, aim: Aim) -> tuple[tuple[float, float], ...]:
    """Stretches of offsets (from, to, semitones) that the ear does not tell from the best for an aim, longest first.

    Within 25 cents of the note, where a note is the aim.
    """
    value = measure(scan, aim)
    allowed = _allowed(scan, aim)
    if not allowed.any():
        return ()
    limit = np.min(value.score[allowed]) + (25.0 if aim.kind == "note" else value.same)
    good = allowed & (value.score <= limit)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    found = [(float(scan.semitones[a]), float(scan.semitones[b - 1])) for a, b in edges.reshape(-1, 2)]
    return tuple(sorted(found, key=lambda span: span[0] - span[1]))
