"""The kit in a picture: a keyboard of pitch up the side, each drum's reach as a bar, its note on it.

Axes in, artists out; all values come from `drumtune.advice`. Where the room lifts notes the keyboard's rows are hatched
upward and said so, where it swallows them downward.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.patheffects import withStroke

from drumtune.advice.kit_problem import ROOM_DB, Gain, frequency_of, number_of
from drumtune.notes import note_name
from drumtune.plots import style

_BLACK = (1, 3, 6, 8, 10)
FINE = 0.01
"""Grain of the room's bands, semitones."""
TALL, SEMITONE = 15.0, 15.0
"""Height of a label, and what a semitone is at least, points."""
_KEYS = 0.9
"""Width of the keyboard, in columns."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One drum: name, lowest and highest note it reaches, its note, and where it is now if known, Hz."""

    name: str
    low: float
    high: float
    note: float
    now: float | None = None


def overview(bars: Sequence[Bar], gain: Gain | None = None) -> Figure:
    """Return the whole figure."""
    ends = [number_of(f) for bar in bars for f in (bar.low, bar.high)]
    figure = style.figure(max(6.6, min(0.24 * (max(ends) - min(ends)) + 2.0, 11.0)))
    draw(figure.subplots(), bars, gain)
    return figure


def draw(axes: Axes, bars: Sequence[Bar], gain: Gain | None = None) -> None:
    """Draw the keyboard, the room's bands if known, and every drum."""
    low = math.floor(min(number_of(bar.low) for bar in bars)) - 1
    high = math.ceil(max(number_of(bar.high) for bar in bars)) + 1
    _keyboard(axes, low, high)
    if gain is not None:
        _bands(axes, gain, (low, high), len(bars))
    for place, bar in enumerate(bars, start=1):
        _bar(axes, place, bar)
    axes.set_xlim(-0.05, len(bars) + 0.75)
    axes.set_ylim(low - 0.5, high + 0.5)
    names = [bar.name if len(bars) <= 5 or len(bar.name) <= 6 else f"{bar.name[:5]}." for bar in bars]
    axes.set_xticks(range(1, len(bars) + 1), names, rotation=0 if len(bars) <= 5 else 40)
    octaves = [number for number in range(low, high + 1) if number % 12 in (0, 5)]
    axes.set_yticks(octaves, [note_name(float(frequency_of(n)))[0] for n in octaves])
    axes.tick_params(length=0)
    style.plain(axes, "Notes of the kit, and what each drum reaches")


def _keyboard(axes: Axes, low: int, high: int) -> None:
    """Keys up the side, and faint lines for C and F."""
    for number in range(low, high + 1):
        black = number % 12 in _BLACK
        colour = style.INK if black else "white"
        width = 0.6 * _KEYS if black else _KEYS
        axes.add_patch(
            Rectangle((0.0, number - 0.5), width * 0.55, 1.0, facecolor=colour, edgecolor=style.QUIET, linewidth=0.6)
        )
        if number % 12 in (0, 5):
            axes.axhline(number - 0.5, color=style.GRID, linewidth=0.8, zorder=0)


def _bands(axes: Axes, gain: Gain, ends: tuple[int, int], count: int) -> None:
    """Bands of pitch that the room lifts or swallows by more than 3 dB, as notes are judged, to a cent."""
    pitch = np.arange(ends[0] - 0.5, ends[1] + 0.5, FINE)
    lift = gain(np.asarray(frequency_of(pitch)))
    right = (0.6, count + 0.75)
    looks = (
        (lift > ROOM_DB, style.ORANGE, "///", "room lifts"),
        (lift < -ROOM_DB, style.SKY, "\\\\\\", "room swallows"),
    )
    keys = []
    for where, colour, hatch, words in looks:
        edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(int)))
        for a, b in edges.reshape(-1, 2):
            axes.fill_between(
                right, pitch[a] - 0.5 * FINE, pitch[b - 1] + 0.5 * FINE, facecolor=colour, alpha=0.35, hatch=hatch,
                edgecolor="white", linewidth=0.0, zorder=0,
            )  # fmt: skip
        keys.append(Patch(facecolor=colour, alpha=0.35, hatch=hatch, edgecolor="white", label=words))
    axes.legend(
        handles=keys, loc="upper center", bbox_to_anchor=(0.5, -0.04), ncols=2, frameon=False,
        fontsize=style.SMALL_SIZE,
    )  # fmt: skip


def _bar(axes: Axes, place: int, bar: Bar) -> None:
    """Draw one drum: reach, note with its name, and where it is now."""
    low, high, note = (number_of(value) for value in (bar.low, bar.high, bar.note))
    axes.plot([place, place], [low, high], color=style.QUIET, linewidth=7, solid_capstyle="round", alpha=0.55)
    name, off = note_name(bar.note)
    label = name if abs(off) < 3.0 else f"{name}{style.signed(off)}"
    aside = 0.0
    if bar.now is not None and abs(number_of(bar.now) - note) > 0.05:
        now = number_of(bar.now)
        aside = math.copysign(max(0.0, TALL - SEMITONE * abs(now - note)) / 2.0, now - note)
        axes.plot([place], [now], marker="o", markersize=8, markerfacecolor="white", color=style.INK)
        _word(axes, "now", (place, now), aside, (style.INK, style.SMALL_SIZE, "normal"))
    axes.plot([place], [note], marker="D", markersize=10, color=style.BLUE)
    _word(axes, label, (place, note), -aside, (style.BLUE, style.TEXT_SIZE, "bold"))


def _word(axes: Axes, text: str, at: tuple[int, float], aside: float, look: tuple[str, float, str]) -> None:
    """Write a word to the right of a mark, `aside` points above its middle, on a white edge."""
    colour, size, weight = look
    axes.annotate(
        text, at, xytext=(9.0, aside), textcoords="offset points", va="center", fontsize=size, fontweight=weight,
        color=colour, path_effects=[withStroke(linewidth=3.0, foreground="white")],
    )  # fmt: skip
