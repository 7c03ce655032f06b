"""Chapters for the ear: intervals between two toms, and the care of hearing."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

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
    pitch,
)  # fmt: skip
from drumtune.errors import StandError
from drumtune.notes import interval_name
from drumtune.physics import held_head, two_heads, whole_hit
from drumtune.physics.film import safe_share
from drumtune.physics.film import stress as film_stress
from drumtune.physics.hearing import exposure_time, pitch_step_cents
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads
from drumtune.physics.whole_hit import Stroke

INTERVALS = (0, 3, 4, 5, 7, 12)
"""Intervals on two toms, semitones."""
SMALLER = 0.75
"""Size of the smaller tom against the larger."""
STROKE = Stroke(glide_cents=8.0, noise_db=-26.0)
LEVELS = (85, 91, 94, 100, 106)
"""Levels told, dBA."""
STEPS_DB = (3, 6, 10)
"""Steps of level that are asked for, dB."""


@dataclass(frozen=True, slots=True)
class Tom:
    """A drum on a note: shell, tensions of both heads (N/m), its note (Hz), film's share of its safe stress."""

    shell: TwoHeads
    top: float
    bottom: float
    note: float
    stress: float


def intervals(subject: Subject, seed: int) -> Chapter:
    """Chapter on intervals between two toms.

    Raises
    ------
    StandError
        If no tuning of the smaller tom's heads gives a note that is wanted.
    """
    rng = generator(seed, 7)
    low = _tom(subject, subject.shell, _note(subject))
    highs = [_tom(subject, _smaller(subject), low.note * 2.0 ** (step / 12.0)) for step in INTERVALS]
    sounds = level([_both(low, high) for high in highs])
    clips = tuple(
        Clip(f"interval-{step}", f"{interval_name(step)}: {low.note:.1f} and {high.note:.1f} Hz", sound)
        for step, high, sound in zip(INTERVALS, highs, sounds, strict=True)
    )
    fifth = highs[INTERVALS.index(7)]
    text = (
        f"Two toms of {2.0 * low.shell.top.radius / 0.0254:.3g} and {2.0 * fifth.shell.top.radius / 0.0254:.3g} "
        "inches. "
        f"The larger one stays on {pitch(low.note)}; the smaller one is tuned to each interval over it: first "
        "one, then "
        "the other, then both.",
        f"For a fifth the smaller drum's note is {fifth.note:.1f} Hz, {fifth.note / low.note:.4f} times the "
        "larger one's "
        "(equal temperament; a fifth without beats would be 1.5000). A drum's other modes are no whole multiples, so "
        "there is little to beat against: the ear follows the lowest modes.",
        f"Two long steady tones at {low.note:.0f} Hz are told apart from "
        f"{float(pitch_step_cents(low.note)):.0f} cents on "
        "(from memory of a published rule); dying ones need more.",
    )
    rows = tuple(
        (interval_name(step), f"{high.note:.1f}", f"{high.note / low.note:.4f}", f"{100 * high.stress:.0f} %")
        for step, high in zip(INTERVALS, highs, strict=True)
    )
    facts = Facts(("interval", "smaller tom, Hz", "ratio", "its film, of safe"), rows)
    right = int(rng.integers(len(INTERVALS)))
    shifted = low.note * 2.0 ** (float(rng.integers(-2, 3)) / 12.0)
    other = _tom(subject, subject.shell, shifted)
    upper = _tom(subject, _smaller(subject), shifted * 2.0 ** (INTERVALS[right] / 12.0))
    question = Question(
        "Which interval is this? The larger tom may stand on another note than before.",
        (Clip("question-interval", "two toms", level([_both(other, upper)])[0]),),
        tuple(interval_name(step) for step in INTERVALS),
        right,
        f"{interval_name(INTERVALS[right])}: {other.note:.1f} and {upper.note:.1f} Hz.",
    )
    return Chapter("intervals", "Intervals by ear", text, (facts,), clips, question, (low, *highs))


def _note(subject: Subject) -> float:
    tension = subject.tuning.top_tension
    return float(two_heads.pair_frequencies(subject.shell, tension, subject.bottom_tension)[0])


def _smaller(subject: Subject) -> TwoHeads:
    shell = subject.shell
    assert shell.bottom is not None
    radius = SMALLER * shell.top.radius
    return replace(
        shell, top=replace(shell.top, radius=radius), bottom=replace(shell.bottom, radius=radius),
        depth=SMALLER * shell.depth, vent=None,
    )  # fmt: skip


def _tom(subject: Subject, shell: TwoHeads, note: float) -> Tom:
    """A drum on a note, its bottom head as far over its top as the subject's.

    Raises
    ------
    StandError
        If no tuning of these heads gives the note.
    """

    def tensions(log_hz: float) -> tuple[float, float]:
        hertz = math.exp(log_hz)
        found = [
            float(held_head.held_tension(shell, pitch, 1, head))
            for pitch, head in ((hertz, TOP), (hertz * 2.0 ** (subject.semitones / 12.0), BOTTOM))
        ]
        return found[0], found[1]

    def off(log_hz: float) -> float:
        top, bottom = tensions(log_hz)
        if min(top, bottom) <= 0.0:
            return 1.0  # past what the air in the shell lets (1,1) reach
        return math.log(float(two_heads.pair_frequencies(shell, top, bottom)[0]) / note)

    try:
        found = float(brentq(off, math.log(0.8 * note), math.log(6.0 * note), xtol=1e-9))
    except ValueError as cause:
        raise StandError(f"no tuning of these heads gives {note:.1f} Hz: check sizes and pitch") from cause
    top, bottom = tensions(found)
    if abs(off(found)) > 1e-5:
        raise StandError(f"no tuning of these heads gives {note:.1f} Hz: check sizes and pitch")
    thickness = shell.top.thickness
    share = float(safe_share(film_stress(top, thickness))) if thickness else math.nan
    return Tom(shell, top, bottom, note, share)


def _struck(tom: Tom, seconds: float) -> Array:
    lines = whole_hit.lines(tom.shell, tom.top, tom.bottom)
    sound = whole_hit.sound(lines, round(seconds * RATE), RATE, STROKE)
    return np.asarray(sound / np.abs(sound).max())


def _both(low: Tom, high: Tom) -> Array:
    """One tom, then the other, then both."""
    gap = round(0.8 * RATE)
    first, second = _struck(low, 2.0), _struck(high, 2.0)
    sound = np.zeros(2 * gap + first.size)
    for start, one in ((0, first), (gap, second), (2 * gap, 0.7 * (first + second))):
        sound[start : start + one.size] += one
    return sound


def care(subject: Subject, seed: int) -> Chapter:
    """Chapter on the care of hearing."""
    rng = generator(seed, 8)
    lines = whole_hit.lines(subject.shell, subject.tuning.top_tension, subject.bottom_tension)
    hit = whole_hit.sound(lines, round(1.5 * RATE), RATE, STROKE)
    hit = hit / np.abs(hit).max()
    pairs = [_two(hit, step) for step in STEPS_DB]
    sounds = level(pairs)
    clips = tuple(
        Clip(f"care-{step}", f"a hit, and the same {step} dB softer", sound)
        for step, sound in zip(STEPS_DB, sounds, strict=True)
    )
    minutes = [float(exposure_time(value)) / 60.0 for value in LEVELS]
    text = (
        f"What ears bear in a day hangs on level and time: {_span(minutes[0])} at {LEVELS[0]} dBA, and half as "
        "long for "
        f"every 3 dB more (NIOSH, publ. 98-126): at {LEVELS[3]} dBA {_span(minutes[3])}, at {LEVELS[4]} dBA "
        f"{_span(minutes[4])}. A drum under the sticks is easily in that range.",
        "A recording does not tell its level: without a meter at the ear nobody can say how much of the day is used. "
        "With ringing ears or dull hearing stop, and ask someone qualified.",
        "Protection that takes 10 dB off gives ten times the time; so does a step back of about three times the "
        "distance out of doors.",
    )
    rows = tuple((f"{value}", _span(time)) for value, time in zip(LEVELS, minutes, strict=True))
    right = int(rng.integers(len(STEPS_DB)))
    step = STEPS_DB[right]
    gain = float(exposure_time(94.0 - step) / exposure_time(94.0))
    question = Question(
        "By how much is the second hit softer?",
        (Clip("question-care", "two hits", level([_two(hit, step)], 0.4)[0]),),
        tuple(f"{value} dB" for value in STEPS_DB),
        right,
        f"{step} dB: a tenth of it in decibels is the logarithm of the power, {10 ** (-step / 10):.2f} of it is left; "
        f"ears may bear it {gain:.1f} times as long.",
    )
    return Chapter("care", "Care for your hearing", text, (Facts(("dBA", "a day"), rows),), clips, question, minutes)


def _two(hit: Array, step: float) -> Array:
    """A hit, and the same so many decibels softer."""
    return np.concatenate([hit[: round(1.1 * RATE)], 10.0 ** (-step / 20.0) * hit])


def _span(minutes: float) -> str:
    return f"{minutes / 60.0:.0f} hours" if minutes >= 120.0 else f"{minutes:.0f} minutes"
