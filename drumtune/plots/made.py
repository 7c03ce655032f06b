"""Moves heard at the rods: what each should have done to the pitch of the whole head, and what was heard."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drumtune.advice.made import Made
from drumtune.plots import style

LEAST_RANGE = 8.0
"""Cents the picture spans at least to each side."""
CROWDED = 9
"""With more moves than this their names are written upright."""


def picture(made: Sequence[Made], words: Sequence[str], drum: str) -> Figure:
    """Return the picture of a round's moves; `words` say what became of each, shape (moves,)."""
    figure = style.figure(4.4)
    draw(figure.subplots(), made, words)
    figure.axes[0].set_title(f"{drum}: the head after each move", loc="left", fontsize=style.TITLE_SIZE)
    return figure


def draw(axes: Axes, made: Sequence[Made], words: Sequence[str]) -> None:
    """Draw an open box for what is expected of each move and a point with one deviation for what was heard."""
    places = np.arange(1, len(made) + 1)
    expected = np.array([one.expected_cents for one in made])
    heard = np.array([one.heard_cents for one in made])
    deviation = np.array([one.heard_sd_cents for one in made])
    wrong = np.array([one.wrong for one in made])
    style.plain(axes, "")
    axes.axhline(0.0, color=style.QUIET, linewidth=1.0, zorder=1)
    axes.bar(places, expected, 0.5, fill=False, edgecolor=style.QUIET, linewidth=1.4, label="expected", zorder=2)
    for some, color, marker, label in (
        (~wrong, style.INK, "o", "heard"),
        (wrong, style.VERMILION, "X", "heard, not as told"),
    ):
        if some.any():
            bars = axes.errorbar(
                places[some], heard[some], deviation[some], color=color, marker=marker, linestyle="none"
            )
            bars.set_label(label)
            bars.lines[0].set_markersize(9)
    reach = max(LEAST_RANGE, float(np.max(np.maximum(np.abs(expected), np.abs(heard) + deviation))))
    axes.set_ylim(-1.5 * reach, 1.5 * reach)
    axes.set_xlim(0.4, len(made) + 0.6)
    for place in map(int, np.flatnonzero(wrong)):
        up = heard[place] > 0.0
        end = heard[place] + (deviation[place] if up else -deviation[place])
        axes.annotate(
            words[place],
            (place + 1, end),
            xytext=(0, 6 if up else -6),
            textcoords="offset points",
            ha="center",
            va="bottom" if up else "top",
            fontsize=style.SMALL_SIZE,
            color=style.VERMILION,
        )
    upright = len(made) > CROWDED
    names = [f"{one.move.rod}{': ' if upright else chr(10)}{_turns(one)}" for one in made]
    axes.set_xticks(places, names, rotation=90 if upright else 0)
    axes.set_xlabel("rod, and turns as told, in their order")
    axes.set_ylabel("change of pitch, cents")
    axes.legend(loc="upper center", ncols=3, frameon=False, fontsize=style.SMALL_SIZE, bbox_to_anchor=(0.5, 1.02))


def _turns(made: Made) -> str:
    sign = "+" if made.told > 0.0 else "\u2212"
    return f"{sign}{Fraction(made.move.turns).limit_denominator(64)}"
