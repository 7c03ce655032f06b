"""Pictures of a lesson's chapters, each with its words for those who do not see it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from drumtune.advice.damping import Change
from drumtune.advice.lesson.ear import INTERVALS, LEVELS, Tom
from drumtune.advice.lesson.head import Mode, Uneven
from drumtune.advice.lesson.heads import Feel, Tone
from drumtune.advice.lesson.subject import Chapter
from drumtune.advice.lesson.time import Falls
from drumtune.notes import interval_name
from drumtune.plots import head, lesson, rim_strip, style
from drumtune.plots import pair as pair_plots
from drumtune.plots import ring as ring_plots
from drumtune.report.content import Picture

WIDTH = 4.5
"""Width of pictures, inches: narrow, so that their words stay large on a phone."""
SMALL = 2.7
"""Side of the picture of one mode, inches."""


def pictures(chapter: Chapter) -> tuple[Picture, ...]:
    """Pictures of one chapter, in order."""
    return DRAW[chapter.key](chapter.shown)


def _one(draw: Callable[[Any], None], height: float, width: float = WIDTH) -> Figure:
    figure = style.figure(height, width)
    draw(figure.subplots())
    return figure


def _modes(shown: tuple[Mode, ...]) -> tuple[Picture, ...]:
    return tuple(
        Picture(
            _one(lambda axes, mode=mode: lesson.mode_shape(axes, mode), SMALL + 0.2, SMALL),  # type: ignore[misc]
            f"{mode.name}, {mode.frequency:.0f} Hz.",
            f"The head from above in mode {mode.name}: {_still(mode)}; parts on either side move against each other.",
        )
        for mode in shown
    )


def _still(mode: Mode) -> str:
    lines = f"{mode.m} line{'s' * (mode.m != 1)} across" if mode.m else "no line across"
    circles = f"{mode.n - 1} circle{'s' * (mode.n != 2)}" if mode.n > 1 else "no circle"
    return f"{lines} and {circles} inside the rim stand still"


def _uneven(shown: Uneven) -> tuple[Picture, ...]:
    reading = shown.reading
    pulls = ", ".join(f"rod {rod.rod} {rod.pull_cents:+.0f}" for rod in reading.rods)
    low, high = shown.pair
    return (
        Picture(
            _one(lambda axes: rim_strip.draw(axes, reading), 4.0),
            "Rim strip: the rim cut open at rod 1 and laid flat; up is tighter.",
            f"Pull at each rod in cents: {pulls}.",
        ),
        Picture(
            _one(lambda axes: head.draw(axes, shown.above, reading.drum.rods), 6.0),
            "The head from above: tension, and where the two (1,1) modes stand still.",
            f"Tension over the head in colour and cents, with the still lines of the modes at {low:.1f} and {high:.1f} "
            "Hz crossing at a right angle.",
        ),
        Picture(
            _one(lambda axes: lesson.beat(axes, shown.beating), 3.0),
            "The two lines of the pair together.",
            f"A decaying sound whose strength dips {shown.beating.rate:.1f} times a second.",
        ),
    )


def _top(shown: Feel) -> tuple[Picture, ...]:
    figure = style.figure(5.6, WIDTH)
    upper, lower = figure.subplots(2, 1, sharex=True)
    lesson.feel((upper, lower), shown)
    return (
        Picture(
            figure,
            "Stiffness, stay of the stick, and the note, over the top head's pitch.",
            f"Stiffness rises from {shown.stiffness[0] / 1000:.2f} to {shown.stiffness[-1] / 1000:.2f} N/mm while the "
            f"stick's stay falls from {1000 * shown.contact[0]:.1f} to {1000 * shown.contact[-1]:.1f} ms; the "
            "note rises "
            f"from {shown.note[0]:.0f} to {shown.note[-1]:.0f} Hz.",
        ),
    )


def _bottom(shown: Tone) -> tuple[Picture, ...]:
    scan = shown.scan
    first, last = np.flatnonzero(scan.usable)[[0, -1]]
    span = f"from {scan.semitones[first]:+.0f} to {scan.semitones[last]:+.0f} semitones"
    kinds = (
        (pair_plots.branches, 4.4, "What the drum sounds over the bottom head's offset.",
         f"The note rises from {scan.low[first]:.0f} to {scan.low[last]:.0f} Hz, the upper (0,1) mode from "
         f"{scan.high[first]:.0f} to {scan.high[last]:.0f} Hz, {span}; near equal heads they keep apart."),
        (pair_plots.decay, 3.2, "How long both (0,1) modes ring.",
         f"The note's decay goes from {scan.low_decay[first]:.2f} to {scan.low_decay[last]:.2f} s {span}."),
        (pair_plots.beat, 3.2, "How far the (1,1) pair is apart, and where it beats.",
         f"The two (1,1) modes come nearest, to {float(np.nanmin(scan.beat)):.1f} Hz, at "
         f"{scan.semitones[int(np.nanargmin(scan.beat))]:+.0f} semitones."),
    )  # fmt: skip
    found = []
    for draw, height, caption, alt in kinds:
        figure = style.figure(height, WIDTH)
        axes = figure.subplots()
        draw(axes, scan)
        axes.set_xlabel("bottom head from the top head, semitones")
        found.append(Picture(figure, caption, alt))
    return tuple(found)


def _falls(shown: Falls) -> tuple[Picture, ...]:
    told = ", ".join(f"{name} {law.fall_cents():.0f} cents" for name, law in shown.laws.items())
    alt = f"Three curves fall to the note; from 40 to 120 ms they lie over it by: {told}."
    return (Picture(_one(lambda axes: lesson.falls(axes, shown), 3.6), "How the pitch of three strokes falls.", alt),)


def _damping(shown: tuple[Change, ...]) -> tuple[Picture, ...]:
    told = "; ".join(f"{c.before_hz:.0f} Hz from {c.before_s:.2f} to {c.after_s:.2f} s" for c in shown)
    figure = _one(lambda axes: ring_plots.before_after(axes, shown), 1.4 + 0.55 * len(shown))
    return (Picture(figure, "Decay of each mode before (ring) and after (arrow).", f"Decay times: {told}."),)


def _intervals(shown: tuple[Tom, ...]) -> tuple[Picture, ...]:
    low, *highs = shown
    told = ", ".join(f"{interval_name(k)} {tom.note:.0f} Hz" for k, tom in zip(INTERVALS, highs, strict=True))
    alt = f"The larger tom stays on {low.note:.0f} Hz; the smaller one: {told}."
    return (Picture(_one(lambda axes: lesson.interval_notes(axes, shown), 4.2), "Notes of the two toms.", alt),)


def _care(shown: list[float]) -> tuple[Picture, ...]:
    told = ", ".join(f"{level} dBA {time:.0f} minutes" for level, time in zip(LEVELS, shown, strict=True))
    figure = _one(lambda axes: lesson.exposure(axes, shown), 3.0)
    return (Picture(figure, "Recommended limit of a day's exposure (NIOSH).", f"Time a day: {told}."),)


DRAW: dict[str, Callable[[Any], tuple[Picture, ...]]] = {
    "modes": _modes, "uneven": _uneven, "top": _top, "bottom": _bottom, "after-note": _falls, "damping": _damping,
    "intervals": _intervals, "care": _care,
}  # fmt: skip
"""What draws each chapter, by its key."""
