"""The modal spectrum round the rim: at each rod, the lines of its taps by frequency and level."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from drumtune.advice.reading import Reading, RodReading
from drumtune.plots import style

LEVEL_FLOOR = -45.0
"""Lines weaker than this under the strongest of the take, dB, are not drawn."""
SAME = 0.02
"""A line this near, as a share, to what is heard at a rod is one it rests on: one of the (1,1) pair."""
SHORT = 0.12
"""Half the length of the bar of a line too weak to be told a level, in rods."""


def draw(axes: Axes, reading: Reading) -> None:
    """Draw each rod's lines as bars at their frequency, longer and darker the stronger; modes named at the right.

    Where the (1,1) line that "heard" rests on is not among a rod's strongest, it is drawn as a short one all the same.
    """
    top = max((mode.frequency_hz for mode in reading.modes), default=0.0)
    for rod in reading.rods:
        for frequency, level in rod.partials:
            share = float(np.clip(1.0 - level / LEVEL_FLOOR, 0.0, 1.0))
            if share > 0.0:
                half = 0.08 + 0.36 * share
                axes.plot(
                    [rod.rod - half, rod.rod + half], [frequency, frequency],
                    color=style.BLUE, alpha=0.25 + 0.75 * share, linewidth=1.0 + 3.0 * share, solid_capstyle="butt",
                )  # fmt: skip
            top = max(top, frequency)
        _heard(axes, rod)
    _name_modes(axes, reading, top)
    rods = [rod.rod for rod in reading.rods]
    axes.set_xlim(rods[0] - 0.6, rods[-1] + 0.6)
    axes.set_xticks(rods)
    axes.set_ylim(0.0, 1.08 * top if top else 1.0)
    axes.set_xlabel("rod, clockwise from the marked one")
    axes.set_ylabel("frequency, Hz")
    style.plain(axes, "Lines heard at each rod (long: strong)")


def _heard(axes: Axes, rod: RodReading) -> None:
    """Draw a short bar at what is heard at a rod, unless one of its bars lies there."""
    there = [f for f, level in rod.partials if level > LEVEL_FLOOR and abs(f / rod.heard_hz - 1.0) < SAME]
    if math.isfinite(rod.heard_hz) and not there:
        axes.plot(
            [rod.rod - SHORT, rod.rod + SHORT], [rod.heard_hz, rod.heard_hz], color=style.BLUE, linewidth=2.0,
            solid_capstyle="butt",
        )  # fmt: skip


def _name_modes(axes: Axes, reading: Reading, top: float) -> None:
    """Thin lines across for the modes of the head, named (m,n) at the right; names that would collide are merged."""
    for mode in reading.modes:
        axes.axhline(mode.frequency_hz, color=style.GRID, linewidth=0.8, zorder=0)
    for frequency, label in _labels(reading, 0.05 * max(top, 1.0)):
        axes.annotate(
            label, (1.0, frequency), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=style.SMALL_SIZE, color=style.INK, annotation_clip=False,
        )  # fmt: skip


def _labels(reading: Reading, apart: float) -> list[tuple[float, str]]:
    """One label per group of modes closer than `apart` Hz: (frequency of the lowest, names joined)."""
    groups: list[tuple[float, list[str]]] = []
    for mode in sorted(reading.modes, key=lambda mode: mode.frequency_hz):
        name = f"({mode.m},{mode.n})"
        if groups and mode.frequency_hz - groups[-1][0] < apart:
            if name not in groups[-1][1]:
                groups[-1][1].append(name)
        else:
            groups.append((mode.frequency_hz, [name]))
    return [(frequency, " ".join(names[:2]) + (" ..." if len(names) > 2 else "")) for frequency, names in groups]
