"""Chapters on the two heads: the top for feel, the bottom for tone; and the grid that the page's sliders read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from drumtune.advice import pair, pair_sound
from drumtune.advice.lesson.subject import (
    RATE,
    Array,
    Chapter,
    Clip,
    Facts,
    Question,
    Subject,
    generator,
    level,
    past_safe,
    pitch,
)  # fmt: skip
from drumtune.advice.pair_aims import BEATING, named
from drumtune.notes import note_name
from drumtune.physics import feel, held_head, two_heads, whole_hit
from drumtune.physics.two_heads import TOP
from drumtune.physics.whole_hit import Stroke

STEPS = tuple(range(-6, 7))
"""Steps of the top head's pitch, semitones."""
HEARD_STEPS = (-5, 0, 5)
BOTTOM_STEPS = tuple(range(-12, 13))
"""Steps of the bottom head's pitch from the top head's as it was at first, semitones."""
OFFSETS = (-9, -4, 0, 4, 9)
"""Bottom heads that are heard, from well below to well above."""
STROKE = Stroke(glide_cents=12.0, noise_db=-24.0)
LINES = (4, 3, 2, 2, 2, 2)
"""Modes of each order 0, 1, 2... that the sliders' sound is made of."""
PROFILE = 25
"""Points along the radius at which the page draws the heads."""


@dataclass(frozen=True, slots=True)
class Feel:
    """The top head over its pitch, arrays (N,): semitones, Hz, N/m under the tip, stay in s, the drum's note in Hz."""

    semitones: Array
    top_hz: Array
    stiffness: Array
    contact: Array
    note: Array


@dataclass(frozen=True, slots=True)
class Tone:
    """The bottom head over its offset, and the offsets that are heard."""

    tuning: pair.Tuning
    scan: pair.Scan
    offsets: tuple[float, ...]


def top(subject: Subject, seed: int) -> Chapter:
    """Chapter on the top head: feel."""
    rng = generator(seed, 3)
    shown = _feel(subject)
    steps = [step for step in HEARD_STEPS if step in shown.semitones]
    sounds = level([_hit(subject, step, 2.0) for step in steps])
    clips = tuple(
        Clip(f"top-{_signed(step)}", f"top head {_way(step)}, {_feel_words(shown, step)}", sound)
        for step, sound in zip(steps, sounds, strict=True)
    )
    first, last = 0, shown.semitones.size - 1
    at = int(np.flatnonzero(shown.semitones == 0)[0])
    text = (
        f"The stick meets the top head alone. Under its tip this one gives {shown.stiffness[at] / 1000:.2f} N/mm, and "
        f"the stick stays {1000 * shown.contact[at]:.1f} ms before it is thrown back. From "
        f"{shown.top_hz[first]:.0f} to "
        f"{shown.top_hz[last]:.0f} Hz at the rods the stiffness grows from {shown.stiffness[first] / 1000:.2f} to "
        f"{shown.stiffness[last] / 1000:.2f} N/mm and the stay shrinks from {1000 * shown.contact[first]:.1f} to "
        f"{1000 * shown.contact[last]:.1f} ms.",
        f"The bottom head is left alone here, and yet the note goes from {pitch(float(shown.note[first]))} to "
        f"{pitch(float(shown.note[last]))}: {_ratio(shown.note[first], shown.note[last]):.1f} semitones for "
        f"{shown.semitones[last] - shown.semitones[first]:.0f} of the top head. The other head carries the rest.",
        "So choose the top head for how the stick comes back, and find the note with the bottom one.",
    )
    rows = tuple(
        (f"{shown.semitones[i]:+.0f}", f"{shown.top_hz[i]:.1f}", f"{shown.stiffness[i] / 1000:.2f}",
         f"{1000 * shown.contact[i]:.1f}", f"{shown.note[i]:.1f}")
        for i in range(0, shown.semitones.size, 3)
    )  # fmt: skip
    facts = Facts(("top, semitones", "rods, Hz", "N/mm", "stay, ms", "note, Hz"), rows)
    return Chapter("top", "The top head for feel", text, (facts,), clips, _feel_question(subject, shown, rng), shown)


def _feel(subject: Subject) -> Feel:
    """The top head at every step its film allows."""
    found = []
    for step in STEPS:
        hertz = subject.top_hz * 2.0 ** (step / 12.0)
        tension = float(held_head.held_tension(subject.shell, hertz, 1, TOP))
        if tension <= 0.0 or past_safe(subject, tension):
            continue
        note = two_heads.pair_frequencies(subject.shell, tension, subject.bottom_tension)[0]
        head = subject.shell.top
        found.append((step, hertz, feel.stiffness(head, tension), feel.contact_time(head, tension), note))
    return Feel(*np.array(found, float).T)


def _hit(subject: Subject, step: float, seconds: float, seed: int = 1) -> Array:
    """A hit with the top head so many semitones from where it was, the bottom head as it is."""
    tuning = pair.tune(subject.shell, subject.top_hz * 2.0 ** (step / 12.0))
    lines = whole_hit.lines(subject.shell, tuning.top_tension, subject.bottom_tension)
    return whole_hit.sound(lines, round(seconds * RATE), RATE, Stroke(STROKE.glide_cents, STROKE.noise_db, seed=seed))


def _feel_question(subject: Subject, shown: Feel, rng: np.random.Generator) -> Question:
    """Ask which of two top heads throws the stick back sooner."""
    first = int(rng.integers(shown.semitones.size - 3))
    places = [first, min(first + int(rng.integers(2, 4)), shown.semitones.size - 1)]
    rng.shuffle(places)
    sounds = level([_hit(subject, float(shown.semitones[i]), 1.6) for i in places])
    right = int(np.argmin(shown.contact[places]))
    a, b = (f"{1000 * shown.contact[i]:.2f} ms at {shown.top_hz[i]:.0f} Hz" for i in places)
    return Question(
        "The same bottom head, two tunings of the top one. On which does the stick stay shorter?",
        tuple(Clip(f"question-top-{n}", f"hit {n.upper()}", s) for n, s in zip("ab", sounds, strict=True)),
        ("hit A", "hit B"),
        right,
        f"On hit {'AB'[right]}: A {a}, B {b}.",
    )


def bottom(subject: Subject, seed: int) -> Chapter:
    """Chapter on the bottom head: tone."""
    rng = generator(seed, 4)
    tuning = subject.tuning
    scan = pair.scan(tuning, [float(step) for step in BOTTOM_STEPS])
    offsets = _offsets(scan)
    rows = [int(np.flatnonzero(scan.semitones == offset)[0]) for offset in offsets]
    sounds = level([pair_sound.hit(tuning, offset, round(2.6 * RATE), RATE, STROKE) for offset in offsets])
    clips = tuple(
        Clip(f"bottom-{_signed(offset)}", f"{named(offset)}: {_tone_words(scan, i)}", sound)
        for offset, i, sound in zip(offsets, rows, sounds, strict=True)
    )
    low, high = rows[0], rows[-1]
    contact = feel.contact_time(subject.shell.top, tuning.top_tension)
    long = int(np.nanargmax(np.where(scan.usable, scan.after_note, np.nan)))
    text = (
        f"The top head stays where it is, at {pitch(tuning.top_hz)} near its rods; every one of these hits has "
        "the same "
        f"feel, {1000 * contact:.1f} ms of stick. Only the bottom head moves, from {scan.bottom_hz[low]:.0f} to "
        f"{scan.bottom_hz[high]:.0f} Hz, and takes the note from {pitch(float(scan.low[low]))} to "
        f"{pitch(float(scan.low[high]))}.",
        _beat_words(scan),
        f"The sound is longest with {named(float(scan.semitones[long]))}: {scan.after_note[long]:.2f} s until it has "
        f"fallen 60 dB under the start of a hit on equal heads.",
    )
    table = Facts(
        ("bottom, semitones", "tap, Hz", "note, Hz", "upper, Hz", "beat, Hz", "rings, s"),
        tuple(
            (f"{scan.semitones[i]:+.0f}", f"{scan.bottom_hz[i]:.0f}", f"{scan.low[i]:.1f}", f"{scan.high[i]:.1f}",
             f"{scan.beat[i]:.1f}", f"{scan.after_note[i]:.2f}") for i in rows
        ),
    )  # fmt: skip
    right = int(rng.integers(len(offsets)))
    question = Question(
        "Which of the five bottom heads is this?",
        (Clip("question-bottom", "one of the five", clips[right].samples),),
        tuple(named(offset) for offset in offsets),
        right,
        f"{named(offsets[right])}: {_tone_words(scan, rows[right])}.",
    )
    return Chapter("bottom", "The bottom head for tone", text, (table,), clips, question, Tone(tuning, scan, offsets))


def _offsets(scan: pair.Scan) -> tuple[float, ...]:
    """Offsets that are heard: those meant, or the nearest the film allows, each once."""
    usable = scan.semitones[scan.usable]
    return tuple(sorted({float(usable[np.argmin(np.abs(usable - wanted))]) for wanted in OFFSETS}))


def _tone_words(scan: pair.Scan, i: int) -> str:
    note, off = note_name(float(scan.low[i]))
    beats = f", beats {scan.beat[i]:.1f} times a second" if scan.beating[i] > BEATING else ""
    return f"{scan.low[i]:.0f} Hz, {note} {off:+.0f}, rings {scan.after_note[i]:.1f} s{beats}"


def _beat_words(scan: pair.Scan) -> str:
    beating = np.flatnonzero(scan.beating > BEATING)
    if not beating.size:
        return "Nowhere in this range do the two heads beat against each other to speak of."
    worst = beating[int(np.argmax(scan.beating[beating]))]
    first, last = (float(scan.semitones[beating[i]]) for i in (0, -1))
    span = "with" if first == last else f"from {first:+.0f} to {last:+.0f} semitones, most strikingly with"
    return (
        f"Where the heads are near each other their (1,1) modes lie side by side and beat: {span} "
        f"{named(float(scan.semitones[worst]))}, {scan.beat[worst]:.1f} times a second."
    )


def _ratio(low: float, high: float) -> float:
    return 12.0 * math.log2(high / low)


def _signed(step: float) -> str:
    return f"{'up' if step > 0 else 'down' if step < 0 else 'at'}-{abs(step):g}"


def _way(step: float) -> str:
    return "as it is" if not step else f"{abs(step):g} semitones {'up' if step > 0 else 'down'}"


def _feel_words(shown: Feel, step: float) -> str:
    i = int(np.flatnonzero(shown.semitones == step)[0])
    return f"stick stays {1000 * shown.contact[i]:.1f} ms, note {shown.note[i]:.0f} Hz"


def bench(subject: Subject) -> dict[str, Any]:
    """What the page's sliders read: for each step of top and bottom the lines, the heads' motion and the figures.

    Plain values, rounded. `rows[t][b]` is None where a film cannot be so tuned. Lines are [Hz, T60 in s, strength];
    motion is [mode][head][n], the heads' shapes in the lower and upper (0,1), with `shapes[n]` along the radius.
    """
    radii = np.linspace(0.0, 1.0, PROFILE)
    return {
        "top_steps": list(STEPS),
        "bottom_steps": list(BOTTOM_STEPS),
        "top_hz": [_round(subject.top_hz * 2.0 ** (s / 12.0), 5) for s in STEPS],
        "bottom_hz": [_round(subject.top_hz * 2.0 ** (s / 12.0), 5) for s in BOTTOM_STEPS],
        "start": [STEPS.index(0), BOTTOM_STEPS.index(round(subject.semitones))],
        "shapes": [[_round(v, 4) for v in row] for row in two_heads.shape_at(0, radii)],
        "rows": [_bench_row(subject, step) for step in STEPS],
    }


def _bench_row(subject: Subject, step: int) -> list[dict[str, Any] | None]:
    """One step of the top head, all of the bottom one."""
    empty: list[dict[str, Any] | None] = [None] * len(BOTTOM_STEPS)
    hertz = subject.top_hz * 2.0 ** (step / 12.0)
    tension = float(held_head.held_tension(subject.shell, hertz, 1, TOP))
    if tension <= 0.0 or past_safe(subject, tension):
        return empty
    tuning = pair.Tuning(subject.shell, tension, hertz)
    scan = pair.scan(tuning, [float(b - step) for b in BOTTOM_STEPS])
    safe = np.where(scan.bottom_tension > 0.0, scan.bottom_tension, 1.0)
    families = [two_heads.lowest(subject.shell, tension, safe, m, count) for m, count in enumerate(LINES)]
    strengths = [whole_hit.strengths(modes, m, whole_hit.HIT_RADIUS) for m, modes in enumerate(families)]
    pairs = two_heads.pair(subject.shell, tension, safe)
    head = subject.shell.top
    touch = (float(feel.stiffness(head, tension)), feel.contact_time(head, tension))
    row: list[dict[str, Any] | None] = []
    for i in range(len(BOTTOM_STEPS)):
        if not scan.usable[i]:
            row.append(None)
            continue
        lines = np.concatenate([
            np.stack([modes.frequency[i], modes.decay_time[i], heard[i]], axis=-1)
            for modes, heard in zip(families, strengths, strict=True)
        ])  # fmt: skip
        row.append(_cell(scan, i, lines, pairs.motion[i], touch))
    return row


def _cell(scan: pair.Scan, i: int, lines: Array, motion: Array, touch: tuple[float, float]) -> dict[str, Any]:
    """One pair of tunings."""
    note, off = note_name(float(scan.low[i]))
    scaled = motion / np.abs(motion).max(axis=(1, 2), keepdims=True)
    return {
        "lines": [[_round(f, 6), _round(t, 3), _round(a, 3)] for f, t, a in lines],
        "motion": [[[_round(v, 3) for v in head] for head in mode] for mode in scaled],
        "offset": _round(float(scan.semitones[i]), 3),
        "note": f"{note} {off:+z.0f} cents",
        "low": _round(float(scan.low[i]), 5),
        "high": _round(float(scan.high[i]), 5),
        "rings": _round(float(scan.after_note[i]), 3),
        "beat": _round(float(scan.beat[i]), 3),
        "beats": bool(scan.beating[i] > BEATING),
        "stiffness": _round(touch[0] / 1000.0, 3),
        "stay": _round(1000.0 * touch[1], 3),
    }


def _round(value: float, digits: int) -> float:
    """A number to so many digits that count."""
    return float(f"{float(value):.{digits}g}")
