"""The head seen from above: the tension the taps tell of, and where the two (1,1) modes stand still."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import ContourSet
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from drumtune.advice.head_map import HeadMap
from drumtune.plots import style

LEAST_RANGE = 20.0
"""Cents the colours span at least to each side."""
KEY = "blue slacker, orange tighter than the mean, cents\nlines: where the (1,1) modes stand still"
"""What colours and lines mean."""
MOST_LINES = 5
"""Contours of different cents, at most about so many."""
INSIDE, APART, FROM_NODES = 0.85, 0.28, 0.13
"""Where cents are written: within this radius, so far from each other and from the nodal lines; the rim is 1."""
_STEPS = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def draw(axes: Axes, head: HeadMap, rods: int) -> None:
    """Draw the tension towards the rim as colour with contours labelled in cents, nodal lines and rod numbers."""
    reach = max(LEAST_RANGE, float(np.percentile(np.abs(head.cents), 99)))
    step = next((size for size in _STEPS if reach / size <= MOST_LINES / 2.0), 500.0)
    shade = step / 2.0
    edge = shade * np.ceil(reach / shade)
    cents = np.clip(head.cents, -edge, edge)
    shades = np.arange(-edge, edge + shade / 2.0, shade)
    axes.contourf(head.x, head.y, cents, levels=shades, cmap=style.TENSION, vmin=-edge, vmax=edge)
    most = step * np.floor(reach / step)
    levels = np.arange(-most, most + step / 2.0, step)
    lines = axes.contour(head.x, head.y, cents, levels=levels, colors=style.QUIET, linewidths=0.8, linestyles="solid")
    still = [
        axes.contour(head.x, head.y, shape, levels=[0.0], colors=style.INK, linewidths=1.8, linestyles=dashes)
        for shape, dashes in zip(head.pair, ("solid", "dashed"), strict=True)
    ]
    _label(axes, lines, still)
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


def _label(axes: Axes, lines: ContourSet, still: Sequence[ContourSet]) -> None:
    """Write the cents on the contours, upright: inside the rim, apart from each other and from the nodal lines."""
    nodal = [part for one in still for parts in one.allsegs for part in parts if len(part)]
    taken = np.concatenate(nodal) if nodal else np.empty((0, 2))
    written = np.empty((0, 2))
    parts = [(float(level), part) for level, found in zip(lines.levels, lines.allsegs, strict=True) for part in found]
    for level, part in sorted(parts, key=lambda one: -abs(one[0])):
        inside = part[np.hypot(part[:, 0], part[:, 1]) < INSIDE]
        if inside.size == 0:
            continue
        room = np.minimum(_nearest(inside, written) / APART, _nearest(inside, taken) / FROM_NODES)
        best = int(np.argmax(np.minimum(room, 1.5) + 0.1 * np.hypot(inside[:, 0], inside[:, 1])))
        if room[best] < 1.0:
            continue
        written = np.vstack([written, inside[best]])
        axes.annotate(
            style.signed(level), (float(inside[best, 0]), float(inside[best, 1])), ha="center", va="center",
            fontsize=style.SMALL_SIZE, color=style.INK, path_effects=[withStroke(linewidth=3.0, foreground="white")],
        )  # fmt: skip


def _nearest(points: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each point (P, 2) to the nearest of the others (Q, 2), radii; infinite where there are none."""
    if others.size == 0:
        return np.full(len(points), np.inf)
    apart = np.hypot(*(points[:, None, :] - others[None, :, :]).transpose(2, 0, 1))
    return np.asarray(apart.min(axis=1), dtype=np.float64)


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
