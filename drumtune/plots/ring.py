"""Pictures of a hit: its level falling, its lines over time, its after-note, and what a piece of damping did.

Axes in, artists out; everything drawn was computed before. Sizes are for a phone: 5.4 inches wide, large words.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from drumtune.advice.damping import Change
from drumtune.advice.ring import HitReading, Partial
from drumtune.dsp.decay import RANGES
from drumtune.dsp.decay import Figure as DecayFigure
from drumtune.dsp.decay_map import DecayMap
from drumtune.dsp.glide import PitchTrack, steadied
from drumtune.notes import cents
from drumtune.plots import style

HEIGHTS = (3.6, 4.4, 3.4)
"""Heights of the pictures of one hit, inches."""
_FITS = (("edt", "EDT", style.PURPLE, ":"), ("t20", "T20", style.BLUE, "-"), ("t30", "T30", style.VERMILION, "--"))
_DEPTH = -70.0
MOST_LINES = 10
"""So many lines, the strongest, are drawn and named."""
_NAME_HEIGHT = 0.062
"""Height of a name as a share of the axes' height."""


def level_decay(axes: Axes, hit: HitReading) -> None:
    """Level of the sound, its backward-integrated decay, the fits with their times, and the noise floor."""
    style.plain(axes, "How the level falls")
    decay = hit.decay
    axes.plot(decay.raw_times, decay.raw_levels, color="#a0a0a0", linewidth=1.2, label="sound, 10 ms means")
    axes.plot(decay.times, decay.levels, color=style.INK, linewidth=2.2, label="decay (ISO 3382)")
    for name, word, colour, dash in _FITS:
        _fit_line(axes, getattr(hit.figures, name), RANGES[name][:2], (word, colour, dash))
    low = max(_DEPTH, min(-45.0, decay.floor_db - 7.0))
    if decay.floor.reached and decay.floor_db > _DEPTH:
        low = min(low, decay.floor_db - 7.0)  # room for the words under it
        axes.axhline(decay.floor_db, color=style.ORANGE, linewidth=1.6, linestyle=(0, (1, 1)))
        axes.text(0.01, decay.floor_db - 0.8, "noise floor", color=style.QUIET, fontsize=style.SMALL_SIZE,
                  ha="left", va="top", transform=axes.get_yaxis_transform())  # fmt: skip
    end = max(min(float(decay.raw_times[-1]), 1.25 * decay.floor.limit), 0.05)
    axes.set(xlim=(0.0, end), ylim=(low, 3.0))
    axes.set(xlabel="time after the stroke (s)", ylabel="level (dB)")
    axes.grid(color=style.GRID, linewidth=0.6)
    axes.legend(fontsize=style.SMALL_SIZE, frameon=True, framealpha=0.9, edgecolor="none", loc="upper right")


def _fit_line(axes: Axes, figure: DecayFigure, span: tuple[float, float], look: tuple[str, str, str]) -> None:
    if figure.value is None:
        return
    word, colour, dash = look
    times = (np.array([*span, span[1] - 5.0]) - figure.intercept) / figure.slope
    doubt = "" if figure.valid else " (not valid)"
    axes.plot(times, figure.intercept + figure.slope * times, color=colour, linestyle=dash, linewidth=2.6,
              label=f"{word} {figure.value:.2f} s{doubt}")  # fmt: skip


def decay_picture(axes: Axes, picture: DecayMap, hit: HitReading) -> None:
    """The sound over time and frequency, dark where loud; each line runs on to its decay time and is named there.

    A line is drawn solid while it is heard, dotted from there to where it has fallen by 60 dB.
    """
    style.plain(axes, "What rings, and how long")
    mesh = axes.pcolormesh(picture.times, picture.frequencies, picture.levels, cmap="Greys", vmin=-60.0, vmax=0.0,
                           shading="nearest", rasterized=True)  # fmt: skip
    shown = _shown(picture, hit)
    longest = max((max(p.decay_s for p in partials) for _, partials in shown), default=0.5)
    highest = max((partials[-1].frequency_hz for _, partials in shown), default=0.0)
    axes.set(ylim=(0.0, min(picture.frequencies[-1], max(1.1 * highest, 300.0))))
    axes.set(xlim=(0.0, min(1.08 * longest, float(picture.times[-1]))))
    axes.set(xlabel="time after the stroke (s)\nsolid: heard; dotted: on to 60 dB down", ylabel="frequency (Hz)")
    _lines(axes, shown)
    bar = axes.figure.colorbar(mesh, ax=axes, location="bottom", pad=0.02, aspect=40)
    bar.set_label("level (dB)", fontsize=style.SMALL_SIZE)
    bar.ax.tick_params(labelsize=style.SMALL_SIZE)


def _shown(picture: DecayMap, hit: HitReading) -> list[tuple[PitchTrack, list[Partial]]]:
    """The strongest lines with their tracks, by rising frequency."""
    found = [
        (track, [hit.partials[place] for place in places])
        for track, places in zip(picture.tracks, picture.lines, strict=True)
        if hit.partials[places[-1]].frequency_hz < picture.frequencies[-1]
    ]
    strongest = sorted(found, key=lambda one: max(p.level_db for p in one[1]), reverse=True)[:MOST_LINES]
    return sorted(strongest, key=lambda one: one[1][0].frequency_hz)


def _lines(axes: Axes, shown: list[tuple[PitchTrack, list[Partial]]]) -> None:
    """Draw each line to its decay time, and lead from there to its name at the right, names apart."""
    (_, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    wanted = np.array([partials[0].frequency_hz for _, partials in shown])
    heights = _apart(wanted, _NAME_HEIGHT * (high - low), high)
    for place, ((track, partials), height) in enumerate(zip(shown, heights, strict=True)):
        colour = (style.VERMILION, style.BLUE, style.GREEN, style.PURPLE)[place % 4]
        here, decay = partials[0].frequency_hz, max(p.decay_s for p in partials)
        heard = float(track.times[-1]) if track.times.size else 0.0
        axes.plot(track.times, track.frequencies, color=colour, linewidth=2.4)
        if heard < decay:
            axes.plot([heard, decay], [here, here], color=colour, linewidth=2.0, linestyle=(0, (1, 1.2)))
        axes.plot([min(decay, right), right], [here, here], color=style.QUIET, linewidth=0.5)
        axes.annotate(
            _line_name(partials, decay), (1.0, here), (1.05, height), xycoords=axes.get_yaxis_transform(),
            textcoords=axes.get_yaxis_transform(), va="center", fontsize=style.SMALL_SIZE, color=style.INK,
            annotation_clip=False, arrowprops={"arrowstyle": "-", "linewidth": 1.5, "color": colour, "shrinkA": 1.0,
                                               "shrinkB": 0.0, "relpos": (0.0, 0.5)},
        )  # fmt: skip


def _line_name(partials: list[Partial], decay: float) -> str:
    """Frequency, mode if known, and decay of a line or a near pair."""
    pitch = "/".join(f"{p.frequency_hz:.0f}" for p in partials)
    mode = next((f" ({p.mode[0]},{p.mode[1]})" for p in partials if p.mode), "")
    return f"{pitch} Hz{mode}: {decay:.2f} s"


def _apart(wanted: NDArray[np.float64], gap: float, high: float) -> NDArray[np.float64]:
    """Rising heights moved as little as keeps them `gap` apart, none above `high`."""
    steps = gap * np.arange(wanted.size)
    up = np.maximum.accumulate(wanted - steps)
    down = np.minimum.accumulate((wanted - steps)[::-1])[::-1]
    heights = 0.5 * (up + down) + steps
    return np.asarray(np.minimum(heights, high - steps[::-1]), dtype=np.float64)


def after_note(axes: Axes, hit: HitReading) -> None:
    """Pitch of the main partial over time in cents above where it settles, with the law and the note."""
    style.plain(axes, "After-note: how the pitch settles")
    axes.set(xlabel="time after the stroke (s)", ylabel="cents above the settled pitch")
    if hit.lines is None or hit.note is None:
        axes.text(0.5, 0.5, "no partial stands out", ha="center", fontsize=style.TEXT_SIZE, transform=axes.transAxes)
        return
    glide = hit.lines.glide
    track, sure = steadied(glide.track)
    times, ratio = track.times, glide.law.ratio(track.times)
    axes.axvspan(0.04, 0.12, color=style.YELLOW, alpha=0.35, linewidth=0)
    height, law = cents(np.maximum(track.frequencies, 1.0), glide.settled), cents(ratio, 1.0)
    name, off = hit.note
    way = "falls" if glide.fall_cents >= 0 else "rises"
    heard = f"heard: settles at {glide.settled:.1f} Hz, {name} {style.signed(off)} cents"
    axes.plot(times, np.where(sure, height, np.nan), color=style.BLUE, linewidth=2.0, label=heard)
    axes.plot(times, law, color=style.VERMILION, linewidth=2.4, linestyle="--",
              label=f"law: {way} {abs(glide.fall_cents):.0f} cents from 40 to 120 ms")  # fmt: skip
    axes.axhline(0.0, color=style.INK, linewidth=1.0)
    drawn = np.concatenate([height[sure], law, [-10.0, 20.0]])
    low, high = 1.1 * float(drawn.min()), 1.1 * float(drawn.max())
    end = float(times[sure][-1]) if sure.any() else 0.0
    axes.set(xlim=(0.0, max(1.05 * end, 0.2)), ylim=(low, high + 0.3 * (high - low)))  # room for the words above
    axes.grid(color=style.GRID, linewidth=0.6)
    axes.legend(fontsize=style.SMALL_SIZE, frameon=True, framealpha=0.9, edgecolor="none", loc="upper right")


def before_after(axes: Axes, changes: tuple[Change, ...]) -> None:
    """Decay of each partial before (ring) and after (dot), with the change in per cent."""
    style.plain(axes, "What the damping did")
    rows = np.arange(len(changes))
    for row, change in zip(rows, changes, strict=True):
        shorter = change.after_s < change.before_s
        colour = style.BLUE if shorter else style.VERMILION
        axes.plot([change.before_s, change.after_s], [row, row], color=colour, linewidth=3.0 if change.sure else 1.2)
        axes.plot(change.before_s, row, "o", markersize=10, markerfacecolor="white", markeredgecolor=style.INK)
        axes.plot(change.after_s, row, "<" if shorter else ">", markersize=10, color=colour)
        word = "shorter" if shorter else "longer"
        told = f"{abs(change.percent):.0f} % {word}" if change.sure else "no sure change"
        axes.text(
            max(change.before_s, change.after_s), row + 0.14, told, fontsize=style.SMALL_SIZE, va="bottom", ha="right"
        )
    names = [f"{c.before_hz:.0f} Hz" + (f"\n({c.mode[0]},{c.mode[1]})" if c.mode else "") for c in changes]
    axes.set_yticks(rows, names)
    longest = max((max(c.before_s, c.after_s) for c in changes), default=1.0)
    axes.set(
        xlim=(0.0, 1.12 * longest),
        ylim=(-0.6, len(changes) - 0.3),
        xlabel="decay time T60 (s): ring before, arrow after",
    )
    axes.grid(axis="x", color=style.GRID, linewidth=0.6)


def overview(hit: HitReading, picture: DecayMap | None, changes: tuple[Change, ...] = (), name: str = "") -> Figure:
    """All pictures of a hit under one another; `picture` None leaves the map out (too short a hit).

    `name` says above them which hit it is, where a recording has several.
    """
    heights = [HEIGHTS[0], *([HEIGHTS[1]] if picture else []), HEIGHTS[2]]
    heights += [1.4 + 0.55 * len(changes)] if changes else []
    figure = style.figure(sum(heights) + (0.4 if name else 0.0))
    if name:
        figure.suptitle(name, x=0.01, ha="left", fontsize=style.TITLE_SIZE, fontweight="bold", color=style.INK)
    cells = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    axes = (figure.add_subfigure(cells[row]).subplots() for row in range(len(heights)))
    level_decay(next(axes), hit)
    if picture is not None:
        decay_picture(next(axes), picture, hit)
    after_note(next(axes), hit)
    if changes:
        before_after(next(axes), changes)
    return figure
