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
CROWDED = 8
"""With more rods than this, moves are written upright and without the word turn."""
MARKS = {"raise": (style.RAISE, "^"), "lower": (style.LOWER, "v")}
"""Colour and shape of a move."""


def draw(axes: Axes, reading: Reading, moves: Sequence[Move] = ()) -> None:
    """Draw pulls with error bars of one standard deviation, and the moves by shape, word and colour."""
    rods = np.array([rod.rod for rod in reading.rods])
    pulls = reading.pulls_cents
    deviations = np.array([rod.pull_sd_cents for rod in reading.rods])
    axes.axhline(0.0, color=style.QUIET, linewidth=1.0, zorder=1)
    axes.plot(rods, pulls, color=style.GRID, linewidth=2.0, zorder=1)
    todo = {move.rod: move for move in moves}
    for rod, pull, deviation in zip(rods, pulls, deviations, strict=True):
        move = todo.get(int(rod))
        _draw_rod(axes, (float(rod), float(pull), float(deviation)), move)
        if move is not None:
            _write_move(axes, float(pull), float(deviation), move, upright=len(rods) > CROWDED)
    reach = max(LEAST_RANGE, float(np.max(np.abs(pulls) + deviations)))
    room = 1.2 if not moves else 1.75 if len(rods) <= CROWDED else 2.3
    axes.set_ylim(-room * reach, room * reach)
    axes.set_xlim(rods[0] - 0.6, rods[-1] + 0.6)
    axes.set_xticks(rods)
    axes.set_xlabel(
        "rod, clockwise" + ("; moves in turns" if moves and len(rods) > CROWDED else " from the marked one")
    )
    axes.set_ylabel("pull, cents (up: tighter)")
    style.plain(axes, f"Rim strip: {reading.verdict}, spread {reading.spread_cents:.0f} cents")


def _draw_rod(axes: Axes, point: tuple[float, float, float], move: Move | None) -> None:
    """One rod: its point and error bar, in the shape and colour of the move it needs."""
    rod, pull, deviation = point
    color, marker = (style.INK, "o") if move is None else MARKS[move.action]
    axes.errorbar(rod, pull, deviation, color=color, marker=marker, markersize=9, capsize=4, linewidth=1.6, zorder=3)


def _write_move(axes: Axes, pull: float, deviation: float, move: Move, *, upright: bool) -> None:
    """Write the move in words on the free side of its point; upright where rods stand close together."""
    up = move.action == "raise"
    turns = Fraction(move.turns).limit_denominator(64)
    axes.annotate(
        f"{move.action} {turns}" if upright else f"{move.action}\n{turns} turn",
        (move.rod, pull - deviation if up else pull + deviation),
        xytext=(0, -8 if up else 8),
        textcoords="offset points",
        rotation=90 if upright else 0,
        ha="center",
        va="top" if up else "bottom",
        fontsize=style.SMALL_SIZE,
        color=MARKS[move.action][0],
    )
