"""The two heads in pictures: what the drum sounds against the bottom head's offset, and how the heads move.

Axes in, artists out; all values come from `drumtune.advice`. The lower mode is blue with round dots, the upper one
vermilion with squares; heads alone are thin and dashed.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drumtune.advice.pair import Scan
from drumtune.advice.pair_aims import BEATING, Advice, Aim, named
from drumtune.advice.pair_sound import Motion
from drumtune.plots import style

Spans = tuple[tuple[float, float], ...]
"""Stretches of offsets, from and to, semitones, the longest first."""
LOW = {"color": style.BLUE, "marker": "o", "markersize": 4.5}
HIGH = {"color": style.VERMILION, "marker": "s", "markersize": 4.5}
ALONE = {"color": style.QUIET, "linewidth": 1.0, "linestyle": (0, (5, 3))}
TICKS = (-12, -9, -6, -3, 0, 3, 6, 9, 12)


def overview(scan: Scan, aim: Aim, advice: tuple[Advice, ...], best: Spans, shown: Motion) -> Figure:
    """Return the whole figure: branches, decay and beat over the offset, and the heads' motion.

    Parameters
    ----------
    scan
        The drum over offsets of its bottom head.
    aim, advice, best
        What the player wants, the offsets recommended, and the spans that serve best (`drumtune.advice.pair_aims`).
    shown
        The motion at one offset, along the radius.
    """
    figure = style.figure(14.0)
    rows = figure.subplot_mosaic(
        [["branches", "branches"], ["decay", "decay"], ["beat", "beat"], ["low", "high"]],
        height_ratios=[1.5, 1.0, 1.0, 0.9],
    )
    branches(rows["branches"], scan)
    decay(rows["decay"], scan)
    beat(rows["beat"], scan)
    for name in ("branches", "decay", "beat"):
        mark(rows[name], aim, advice, best, words=name == "branches")
        rows[name].set_xlim(scan.semitones.min() - 0.6, scan.semitones.max() + 0.6)
    rows["beat"].set_xlabel("bottom head from the top head, semitones")
    for k, name in enumerate(("low", "high")):
        heads(rows[name], shown.radius, shown.shape[k], f"{('lower', 'upper')[k]}, {shown.frequency[k]:.0f} Hz")
    rows["low"].set_ylabel(named(shown.semitones).removeprefix("the bottom head "), fontsize=style.TEXT_SIZE)
    return figure


def branches(axes: Axes, scan: Scan) -> None:
    """Both coupled (0,1) modes over the offset, and both heads alone: the crossing that coupling avoids."""
    axes.plot(scan.semitones, scan.alone[:, 0], **ALONE)  # type: ignore[arg-type]
    axes.plot(scan.semitones, scan.alone[:, 1], **ALONE)  # type: ignore[arg-type]
    axes.plot(scan.semitones, scan.high, label="upper (0,1)", **HIGH)  # type: ignore[arg-type]
    axes.plot(scan.semitones, scan.low, label="lower (0,1): the note", **LOW)  # type: ignore[arg-type]
    axes.plot([], [], label="each head alone", **ALONE)  # type: ignore[arg-type]
    axes.set_ylabel("Hz")
    bottom, top = 0.0, float(np.nanmax(np.concatenate([scan.high, scan.alone.ravel()])))
    axes.set_ylim(bottom, 1.32 * top)
    axes.legend(fontsize=style.SMALL_SIZE, frameon=False, loc="lower right")
    _common(axes, "What the drum sounds")


def decay(axes: Axes, scan: Scan) -> None:
    """Decay times of both (0,1) modes over the offset."""
    axes.plot(scan.semitones, scan.high_decay, **HIGH)  # type: ignore[arg-type]
    axes.plot(scan.semitones, scan.low_decay, **LOW)  # type: ignore[arg-type]
    axes.set_ylabel("T60, s")
    axes.set_ylim(0.0, None)
    _common(axes, "How long it rings")


def beat(axes: Axes, scan: Scan) -> None:
    """Difference of the (1,1) pair over the offset; where it is heard as beats, said in words."""
    axes.plot(scan.semitones, scan.beat, color=style.PURPLE, marker="^", markersize=5)
    axes.set_ylabel("Hz")
    axes.set_ylim(0.0, 1.25 * float(np.nanmax(scan.beat)))
    for i in np.flatnonzero(scan.beating > BEATING):
        axes.annotate(
            f"beats,\n{scan.beat[i]:.1f} a second",
            (scan.semitones[i], scan.beat[i]),
            xytext=(0, 34),
            textcoords="offset points",
            ha="center",
            fontsize=style.SMALL_SIZE,
            arrowprops={"arrowstyle": "-|>", "color": style.INK},
        )
    _common(axes, "How far the (1,1) pair is apart")


def mark(axes: Axes, aim: Aim, advice: tuple[Advice, ...], best: Spans, *, words: bool) -> None:
    """Shade the spans that serve the aim best and rule the recommended offsets; with `words`, name them."""
    for start, stop in best:
        axes.axvspan(start - 0.5, stop + 0.5, color=style.GRID, alpha=0.45, linewidth=0, zorder=0)
    for one in advice:
        axes.axvline(one.semitones, color=style.INK, linewidth=0.8, linestyle=":", zorder=0)
    if not words:
        return
    top = axes.get_ylim()[1]
    for one in advice:
        axes.annotate(
            f"{one.rank}.", (one.semitones, 0.885 * top), ha="center", fontsize=style.TEXT_SIZE, weight="bold",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
        )  # fmt: skip
    if best:
        start, stop = best[0]
        middle = float(np.clip(0.5 * (start + stop), -7.5, 7.5))
        label = f"best for {aim.note or aim.kind}"
        axes.text(middle, 0.985 * top, label, ha="center", va="top", fontsize=style.TEXT_SIZE, weight="bold")


def heads(axes: Axes, radius: np.ndarray, shape: np.ndarray, title: str) -> None:
    """Cut through the drum with both heads displaced: `shape` (2, P), downward positive, at `radius` (P,), rim at 1."""
    x = np.concatenate([-radius[::-1], radius])
    for place, (line, name) in enumerate(zip(shape, ("top", "bottom"), strict=True)):
        rest = 1.0 - 2.0 * place
        y = rest - 0.62 * np.concatenate([line[::-1], line])
        axes.plot([-1, 1], [rest, rest], **ALONE)  # type: ignore[arg-type]
        axes.plot(x, y, color=(style.BLUE, style.VERMILION)[place], linewidth=2.4)
        axes.annotate(name, (0.0, rest + 0.1), ha="center", va="bottom", fontsize=style.SMALL_SIZE)
    for side in (-1, 1):
        axes.plot([side, side], [-1, 1], color=style.INK, linewidth=1.6)
    axes.set_xlim(-1.15, 1.15)
    axes.set_ylim(-1.9, 1.7)
    axes.set_xticks([])
    axes.set_yticks([])
    style.plain(axes, title)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _common(axes: Axes, title: str) -> None:
    style.plain(axes, title)
    axes.set_xticks(TICKS, [f"{tick:+d}" if tick else "equal" for tick in TICKS])
    axes.grid(axis="y", color=style.GRID, linewidth=0.6)
    axes.set_axisbelow(True)
