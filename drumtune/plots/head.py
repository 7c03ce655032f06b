"""The head seen from above: the tension the taps tell of, and where the two (1,1) modes stand still."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from drumtune.advice.head_map import HeadMap
from drumtune.plots import style

LEAST_RANGE = 20.0
"""Cents the colours span at least to each side."""
KEY = "blue slacker, orange tighter than the mean, cents\nlines: where the (1,1) modes stand still"
"""What colours and lines mean."""
_STEPS = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def draw(axes: Axes, head: HeadMap, rods: int) -> None:
    """Draw the tension towards the rim as colour with contours labelled in cents, nodal lines and rod numbers."""
    reach = max(LEAST_RANGE, float(np.percentile(np.abs(head.cents), 99)))
    step = next((size for size in _STEPS if 2.0 * reach / size <= 10.0), 500.0)
    edge = step * np.ceil(reach / step)
    levels = np.arange(-edge, edge + step / 2.0, step)
    cents = np.clip(head.cents, -edge, edge)
    axes.contourf(head.x, head.y, cents, levels=levels, cmap=style.TENSION, vmin=-edge, vmax=edge)
    lines = axes.contour(head.x, head.y, cents, levels=levels, colors=style.QUIET, linewidths=0.6, linestyles="solid")
    axes.clabel(lines, fmt=_signed, fontsize=style.SMALL_SIZE, inline_spacing=2)
    for shape, dashes in zip(head.pair, ("solid", "dashed"), strict=True):
        axes.contour(head.x, head.y, shape, levels=[0.0], colors=style.INK, linewidths=1.8, linestyles=dashes)
    _rim(axes, rods)
    axes.legend(
        handles=[
            Line2D([], [], color=style.INK, linewidth=1.8, linestyle="solid", label="lower of the pair"),
            Line2D([], [], color=style.INK, linewidth=1.8, linestyle="dashed", label="higher"),
        ],
        loc="upper center", bbox_to_anchor=(0.5, 0.0), ncols=2, frameon=False, fontsize=style.TEXT_SIZE,
        title=KEY, title_fontsize=style.TEXT_SIZE,
    )  # fmt: skip
    style.plain(axes, "Head from above: tension, cents")


def _signed(cents: float) -> str:
    """Whole cents with their sign, zero without."""
    return f"{cents:+.0f}" if round(cents) else "0"


def _rim(axes: Axes, rods: int) -> None:
    """The hoop's circle, the rods' places outside it, and room round them."""
    angles = 2.0 * np.pi * np.arange(rods) / rods
    circle = np.linspace(0.0, 2.0 * np.pi, 361)
    axes.plot(np.sin(circle), np.cos(circle), color=style.INK, linewidth=1.5)
    for rod, angle in enumerate(angles, start=1):
        axes.text(
            1.13 * np.sin(angle), 1.13 * np.cos(angle), str(rod), ha="center", va="center", fontsize=style.TEXT_SIZE
        )
    axes.set_aspect("equal")
    axes.set_xlim(-1.25, 1.25)
    axes.set_ylim(-1.25, 1.25)
    axes.axis("off")
