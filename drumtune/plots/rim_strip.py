"""The rim strip: the rim cut open at rod 1 and laid flat, rods along the bottom, pull above or below the line."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from matplotlib.axes import Axes

from drumtune.advice.reading import Reading
from drumtune.advice.turns import Move
from drumtune.plots import style

LEAST_RANGE = 25.0
"""Cents the strip spans at least to each side, so that an even head looks even."""


def draw(axes: Axes, reading: Reading, moves: Sequence[Move] = ()) -> None:
    """Draw pulls with error bars of one standard deviation, and the moves by shape, word and colour."""
    rods = np.array([rod.rod for rod in reading.rods])
    pulls = reading.pulls_cents
    deviations = np.array([rod.pull_sd_cents for rod in reading.rods])
    axes.axhline(0.0, color=style.QUIET, linewidth=1.0, zorder=1)
    axes.plot(rods, pulls, color=style.GRID, linewidth=2.0, zorder=1)
    todo = {move.rod: move for move in moves}
    for rod, pull, deviation in zip(rods, pulls, deviations, strict=True):
        _draw_rod(axes, (float(rod), float(pull), float(deviation)), todo.get(int(rod)))
    reach = max(LEAST_RANGE, float(np.max(np.abs(pulls) + deviations)))
    axes.set_ylim(-1.75 * reach if moves else -1.2 * reach, 1.75 * reach if moves else 1.2 * reach)
    axes.set_xlim(rods[0] - 0.6, rods[-1] + 0.6)
    axes.set_xticks(rods)
    axes.set_xlabel("rod, clockwise from the marked one")
    axes.set_ylabel("pull, cents (up: tighter)")
    style.plain(axes, f"Rim strip: {reading.verdict}, spread {reading.spread_cents:.0f} cents")


def _draw_rod(axes: Axes, point: tuple[float, float, float], move: Move | None) -> None:
    """One rod: its point and error bar, and the move it needs written on the free side."""
    rod, pull, deviation = point
    up = move is not None and move.action == "raise"
    color = style.INK if move is None else style.RAISE if up else style.LOWER
    marker = "o" if move is None else "^" if up else "v"
    axes.errorbar(rod, pull, deviation, color=color, marker=marker, markersize=9, capsize=4, linewidth=1.6, zorder=3)
    if move is None:
        return
    axes.annotate(
        f"{move.action}\n{Fraction(move.turns).limit_denominator(64)} turn",
        (rod, pull - deviation if up else pull + deviation),
        xytext=(0, -8 if up else 8),
        textcoords="offset points",
        ha="center",
        va="top" if up else "bottom",
        fontsize=style.SMALL_SIZE,
        color=color,
    )
