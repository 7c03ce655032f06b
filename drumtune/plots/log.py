"""A drum's rounds in pictures: spread from round to round, pull per rod, and the pitch of the drum over the months.

Rods are told apart by place, each in its own strip, not by colour. Draws a `History`; computes nothing.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drumtune.advice.rounds import FINE_SPREAD, History
from drumtune.advice.turns import EVEN_SPREAD
from drumtune.plots import style

STRIP = 0.62
"""Height of one rod's strip, inches."""
HEIGHTS = (3.7, 2.9)
"""Heights of the pictures of spread and pitch, inches."""
LEVELS = (
    (EVEN_SPREAD, "even enough", style.GREEN, "--"),
    (FINE_SPREAD, "as far as rounds go", style.SKY, ":"),
)
"""Spreads to come below, cents: of the verdict on a single reading, and at which rounds leave a head alone."""
MARKS = 12
"""With more readings than this, only some are numbered."""
UNITS = (("minutes", 1.0 / 1440.0, 0.1), ("hours", 1.0 / 24.0, 2.0), ("days", 1.0, 60.0), ("months", 30.44, np.inf))
"""Units of time, their length in days, and up to how many days each is used."""


def overview(name: str, history: History) -> Figure:
    """Return one figure: spread, pulls, pitch, under one another."""
    rods = history.pulls.shape[1]
    heights = (HEIGHTS[0], 0.9 + STRIP * rods, HEIGHTS[1])
    figure = style.figure(sum(heights))
    cells = figure.add_gridspec(3, 1, height_ratios=heights)
    top, middle, bottom = (figure.add_subfigure(cells[place]) for place in range(3))
    draw_spread(top.subplots(), name, history)
    strips = middle.subplots(rods, 1, sharex=True, sharey=True, squeeze=False)
    draw_pulls(list(strips[:, 0]), history)
    draw_pitch(bottom.subplots(), history)
    return figure


def draw_spread(axes: Axes, name: str, history: History) -> None:
    """Draw the spread of every reading with one standard deviation, and what each plan expected of the next."""
    place = np.arange(1, history.spread.size + 1)
    axes.errorbar(
        place, history.spread, history.spread_sd, color=style.INK, marker="o", capsize=3, linewidth=1.4, label="as read"
    )
    ahead = np.isfinite(history.expected)
    if ahead.any():
        axes.plot(
            place[ahead] + 1, history.expected[ahead], linestyle="none", marker="D", markersize=8, markeredgewidth=1.6,
            markerfacecolor="none", markeredgecolor=style.ORANGE, label="as expected of the moves before",
        )  # fmt: skip
    if ahead[-1]:
        axes.annotate(
            "next", (place[-1] + 1, history.expected[-1]), xytext=(8, 0), textcoords="offset points", va="center",
            fontsize=style.SMALL_SIZE,
        )  # fmt: skip
    for spread, words, colour, dashes in LEVELS:
        label = f"{words}: {spread:.0f} cents"
        axes.axhline(spread, color=colour, linestyle=dashes, linewidth=1.8, zorder=1, label=label)
    axes.set_ylim(bottom=0.0)
    _number(axes, history)
    axes.set_ylabel("spread, cents")
    axes.figure.legend(loc="outside lower center", ncols=1, fontsize=style.SMALL_SIZE, frameon=False)
    style.plain(axes, f"{name}: spread from round to round")


def draw_pulls(strips: list[Axes], history: History) -> None:
    """Draw the pull of each rod over the rounds, one strip per rod, all to the same scale."""
    place = np.arange(1, history.spread.size + 1)
    reach = 1.15 * float(np.max(np.abs(history.pulls) + history.pulls_sd))
    for rod, axes in enumerate(strips):
        axes.axhline(0.0, color=style.GRID, linewidth=1.0, zorder=1)
        axes.errorbar(
            place, history.pulls[:, rod], history.pulls_sd[:, rod],
            color=style.BLUE, marker="o", markersize=4, capsize=2, linewidth=1.3, zorder=2,
        )  # fmt: skip
        axes.set_ylim(-reach, reach)
        style.plain(axes, "Pull per rod over the rounds, cents" if rod == 0 else "")
        axes.tick_params(labelsize=style.SMALL_SIZE, labelbottom=rod == len(strips) - 1)
        axes.set_ylabel(f"rod {rod + 1}", rotation=0, ha="right", va="center")
    _number(strips[-1], history)


def _number(axes: Axes, history: History) -> None:
    """Put the takes' numbers along the bottom."""
    count = len(history.numbers)
    shown = range(0, count, max(1, -(-count // MARKS)))
    axes.set_xticks([place + 1 for place in shown], [str(history.numbers[place]) for place in shown])
    axes.set_xlim(0.5, max(count, 1) + 1.5)
    axes.set_xlabel("take")


def draw_pitch(axes: Axes, history: History) -> None:
    """Draw the pitch of the (1,1) pair over time."""
    unit, length = next((name, days) for name, days, most in UNITS if history.days[-1] <= most)
    axes.plot(history.days / length, history.frequency, color=style.PURPLE, marker="s", linewidth=1.3)
    since = f"{history.first_time} UTC on {history.first_day}" if unit in ("minutes", "hours") else history.first_day
    axes.set_xlabel(f"{unit} since {since}")
    axes.set_ylabel("(1,1) pair, Hz")
    axes.margins(x=0.05, y=0.25)
    if np.ptp(history.frequency) < 1.0:
        middle = float(history.frequency.mean())
        axes.set_ylim(middle - 1.0, middle + 1.0)
    style.plain(axes, "Pitch of the drum over time")
