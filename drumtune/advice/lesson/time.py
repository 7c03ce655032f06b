"""Chapters on what a sound does over time: the after-note, and damping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drumtune.advice import damping
from drumtune.advice.damping import Change, Patch
from drumtune.advice.lesson.head import FALL
from drumtune.advice.lesson.subject import (
    RATE,
    Array,
    Chapter,
    Clip,
    Facts,
    Question,
    Subject,
    generator,
    heard_from,
    level,
    pitch,
)  # fmt: skip
from drumtune.dsp.glide import GlideLaw
from drumtune.physics import modes as basis
from drumtune.physics import synthesis, whole_hit
from drumtune.physics.whole_hit import Stroke

STROKES = {"soft": 5.0, "middling": 20.0, "hard": 60.0}
"""Rise of the pitch at the start of three strokes, cents; 65 was measured on hard-hit toms (as quoted)."""
ASKED = (10.0, 25.0, 45.0, 80.0)
"""Rises that are asked for."""
DAMPED = ((0, 1), (1, 1), (2, 1), (3, 1))
"""Modes told of before and after damping."""


@dataclass(frozen=True, slots=True)
class Falls:
    """Laws of three strokes by name, the note they settle to (Hz), and the cents they are over it at `times` (s)."""

    laws: dict[str, GlideLaw]
    settled: float
    times: Array
    cents: dict[str, Array]


def after_note(subject: Subject, seed: int) -> Chapter:
    """Chapter on the after-note."""
    rng = generator(seed, 5)
    lines = whole_hit.lines(subject.shell, subject.tuning.top_tension, subject.bottom_tension)
    rate, note = whole_hit.note_rate(lines), float(lines.frequency.min())
    laws = {name: GlideLaw(whole_hit.excess(cents), rate) for name, cents in STROKES.items()}
    sounds = [_struck(lines, cents) for cents in STROKES.values()]
    clips = tuple(
        Clip(f"after-note-{name}", f"{name} stroke: falls {law.fall_cents():.0f} cents", level([sound])[0])
        for (name, law), sound in zip(laws.items(), sounds, strict=True)
    )
    hard = laws["hard"]
    start = 1200.0 * np.log2(hard.ratio(np.array([0.0]))[0])
    text = (
        f"A stroke stretches the film, and while the film swings far it is tighter. So the pitch begins high and falls "
        f"to the note, {pitch(note)} here. The added tension goes with the square of the swing: it dies twice "
        "as fast as "
        f"the sound, by half every {1000 * np.log(2.0) / (2.0 * rate):.0f} ms on this drum.",
        f"The hard stroke begins {start:.0f} cents up; from 40 to 120 ms, where an ear takes the pitch, it still lies "
        f"{hard.fall_cents():.0f} cents over what it settles to. The soft one is {laws['soft'].fall_cents():.0f} cents "
        "off there. Tune with soft strokes, or by what is left after the fall.",
        "A tighter head falls less for the same stroke: the swing adds the same tension to more of it.",
    )
    rows = tuple((name, f"{cents:.0f}", f"{laws[name].fall_cents():.1f}") for name, cents in STROKES.items())
    facts = Facts(("stroke", "rise at the start, cents", "fall from 40-120 ms, cents"), rows)
    order = rng.permutation(len(ASKED))[:3]
    right = int(rng.integers(3))
    falls = [GlideLaw(whole_hit.excess(ASKED[k]), rate).fall_cents() for k in order]
    sound = level([_struck(lines, ASKED[order[right]])])[0]
    question = Question(
        "By how much does this one fall from 40-120 ms to the end?",
        (Clip("question-after-note", "a stroke that falls", sound),),
        tuple(f"{fall:.0f} cents" for fall in falls),
        right,
        f"{falls[right]:.1f} cents: it began {ASKED[order[right]]:.0f} cents up.",
    )
    times = np.linspace(0.0, 0.5, 300)
    shown = Falls(laws, note, times, {name: 1200.0 * np.log2(law.ratio(times)) for name, law in laws.items()})
    return Chapter("after-note", "The after-note", text, (facts,), clips, question, shown)


def _struck(lines: whole_hit.Lines, cents: float) -> Array:
    return whole_hit.sound(lines, round(2.2 * RATE), RATE, Stroke(cents, -24.0))


def damped(subject: Subject, seed: int) -> Chapter:
    """Chapter on damping."""
    rng = generator(seed, 6)
    patch = Patch(float(rng.uniform(0.0006, 0.0014)), float(rng.uniform(0.8, 1.6)))
    before, after = _ringing(subject, None), _ringing(subject, patch)
    sounds = level([before.sound, after.sound])
    clips = (
        Clip("damping-before", "tapped without anything on it", sounds[0]),
        Clip("damping-after", "tapped with the patch on", sounds[1]),
    )
    changes = _changes(subject, patch)
    most, least = max(changes, key=lambda c: -c.percent), min(changes, key=lambda c: -c.percent)
    text = (
        f"A patch of gel, {1000 * patch.mass:.1f} g with a resistance of {patch.resistance:.1f} N s/m, lies at "
        f"{100 * patch.radius:.0f} % of the radius. It takes from each mode by how far the head moves there: the "
        f"{most.before_hz:.0f} Hz line {_mode(most)} loses {-most.percent:.0f} % of its decay time, the "
        f"{least.before_hz:.0f} Hz line {_mode(least)} only {-least.percent:.0f} %.",
        f"Its mass lowers the pitch a little: {_mode(most)} by {-most.moved_cents:.1f} cents. In the middle of "
        "the head the "
        "same patch would act on (0,1) most of all and hardly on the others.",
        "What a piece of gel resists is not known beforehand: here it was chosen. Record before and after, and "
        "drumtune "
        "ring --compare says what yours did.",
    )
    rows = tuple(
        (f"({c.mode[0]},{c.mode[1]})" if c.mode else "-", f"{c.before_hz:.1f}", f"{c.before_s:.2f}", f"{c.after_s:.2f}",
         f"{c.percent:+.0f} %", f"{c.moved_cents:+.1f}") for c in changes
    )  # fmt: skip
    facts = Facts(("mode", "Hz", "T60 before, s", "after, s", "change", "moved, cents"), rows)
    return Chapter(
        "damping", "Damping, before and after", text, (facts,), clips, _size_question(subject, patch, rng), changes
    )


@dataclass(frozen=True, slots=True)
class _Rung:
    sound: Array
    decay: float


def _ringing(subject: Subject, patch: Patch | None) -> _Rung:
    """A tap on the even top head with a patch on it or none, every mode damped by it, and the T60 of (1,1), s."""
    head = synthesis.sounding_head(subject.drum, np.zeros(subject.drum.rods), subject.single_tension)
    base, owner = basis.basis(), np.argmax(head.vectors**2, axis=0)
    frequency, decay = head.frequencies, FALL / head.decay_rates
    if patch is not None:
        pairs = [
            damping.damped(subject.drum.head, (int(base.m[o]), int(base.n[o])), float(f), float(t), patch)
            for o, f, t in zip(owner, frequency, decay, strict=True)
        ]
        frequency, decay = (np.array(column) for column in zip(*pairs, strict=True))
    shape = basis.shapes(np.array([subject.drum.tap_radius]), np.array([0.4]))[0][0] @ head.vectors
    strength = -1j * heard_from(head, subject.drum.head.radius) * shape * whole_hit.contact_spectrum(head.frequencies)
    keep = head.frequencies < 0.4 * RATE
    sound = synthesis.ring_out(frequency[keep], FALL / decay[keep], strength[keep], round(2.0 * RATE), RATE)
    first = int(np.flatnonzero(base.m[owner] == 1)[0])
    return _Rung(sound, float(decay[first]))


def _changes(subject: Subject, patch: Patch) -> tuple[Change, ...]:
    from drumtune.advice.lesson.head import even_modes

    found = []
    for mode in even_modes(subject):
        if (mode.m, mode.n) not in DAMPED:
            continue
        hertz, seconds = damping.damped(subject.drum.head, (mode.m, mode.n), mode.frequency, mode.decay, patch)
        moved, percent = 1200.0 * np.log2(hertz / mode.frequency), 100.0 * (seconds / mode.decay - 1.0)
        found.append(Change(mode.frequency, float(moved), mode.decay, seconds, percent, True, (mode.m, mode.n)))
    return tuple(found)


def _mode(change: Change) -> str:
    return "" if change.mode is None else f"({change.mode[0]},{change.mode[1]})"


def _size_question(subject: Subject, patch: Patch, rng: np.random.Generator) -> Question:
    """Ask which of three hits has the largest patch on the head."""
    sizes = rng.permutation(np.array([0.0, 1.0, 3.0]))
    rung = [_ringing(subject, Patch(s * patch.mass, s * patch.resistance, patch.radius) if s else None) for s in sizes]
    sounds = level([one.sound for one in rung])
    decays = [one.decay for one in rung]
    return Question(
        "No patch, this patch, and one three times as large, in some order. Which hit has the largest?",
        tuple(Clip(f"question-damping-{n}", f"hit {n.upper()}", s) for n, s in zip("abc", sounds, strict=True)),
        ("hit A", "hit B", "hit C"),
        int(np.argmin(decays)),
        "Its (1,1) dies soonest: " + ", ".join(f"{n} {t:.2f} s" for n, t in zip("ABC", decays, strict=True)) + ".",
    )
