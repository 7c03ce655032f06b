"""Pictures of a hit: its level falling, its lines over time, its after-note, and what a piece of damping did.

Axes in, artists out; everything drawn was computed before. Sizes are for a phone: 5.4 inches wide, large words.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drumtune.advice.damping import Change
from drumtune.advice.ring import HitReading
from drumtune.dsp.decay import RANGES
from drumtune.dsp.decay import Figure as DecayFigure
from drumtune.dsp.decay_map import DecayMap
from drumtune.plots import style

HEIGHTS = (3.6, 3.9, 3.4)
"""Heights of the pictures of one hit, inches."""
_FITS = (("edt", "EDT", style.PURPLE, ":"), ("t20", "T20", style.BLUE, "-"), ("t30", "T30", style.VERMILION, "--"))
_DEPTH = -70.0


def level_decay(axes: Axes, hit: HitReading) -> None:
    """Level of the sound, its backward-integrated decay, the fits with their times, and the noise floor."""
    style.plain(axes, "How the level falls")
    decay = hit.decay
    axes.plot(decay.raw_times, decay.raw_levels, color="#a0a0a0", linewidth=1.2, label="sound, 10 ms means")
    axes.plot(decay.times, decay.levels, color=style.INK, linewidth=2.2, label="decay (ISO 3382)")
    for name, word, colour, dash in _FITS:
        _fit_line(axes, getattr(hit.figures, name), RANGES[name][:2], (word, colour, dash))
    if decay.floor.reached and decay.floor_db > _DEPTH:
        axes.axhline(decay.floor_db, color=style.ORANGE, linewidth=1.6, linestyle=(0, (1, 1)))
        axes.text(0.99, decay.floor_db + 1.0, "noise floor", color=style.QUIET, fontsize=style.SMALL_SIZE,
                  ha="right", va="bottom", transform=axes.get_yaxis_transform())  # fmt: skip
    end = max(min(float(decay.raw_times[-1]), 1.25 * decay.floor.limit), 0.05)
    axes.set(xlim=(0.0, end), ylim=(max(_DEPTH, min(-45.0, decay.floor_db - 6.0)), 3.0))
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
    """The sound over time and frequency, dark where loud, with the track and the name of each strong line."""
    style.plain(axes, "What rings, and how long")
    mesh = axes.pcolormesh(picture.times, picture.frequencies, picture.levels, cmap="Greys", vmin=-60.0, vmax=0.0,
                           shading="nearest", rasterized=True)  # fmt: skip
    top = 0.0
    for place, track in enumerate(picture.tracks):
        loud = track.amplitudes > max(track.amplitudes.max(initial=0.0) * 0.01, 1e-12)
        if loud.sum() < 3 or track.frequencies[-1] > picture.frequencies[-1]:
            continue
        colour = (style.VERMILION, style.BLUE, style.GREEN, style.PURPLE)[place % 4]
        axes.plot(track.times[loud], track.frequencies[loud], color=colour, linewidth=2.2)
        top = max(top, float(np.median(track.frequencies)))
    _name_lines(axes, hit, picture)
    axes.set(ylim=(0.0, min(picture.frequencies[-1], max(1.35 * top, 300.0))))
    axes.set(xlim=(0.0, _seen_until(picture)), xlabel="time after the stroke (s)", ylabel="frequency (Hz)")
    bar = axes.figure.colorbar(mesh, ax=axes, pad=0.02, aspect=30)
    bar.set_label("level (dB)", fontsize=style.TEXT_SIZE)
    bar.ax.tick_params(labelsize=style.SMALL_SIZE)


def _seen_until(picture: DecayMap) -> float:
    """Time after which nothing is left within 60 dB."""
    left = np.flatnonzero(picture.levels.max(axis=0) > -57.0)
    return float(picture.times[left[-1]] if left.size else picture.times[-1]) + 0.05


def _name_lines(axes: Axes, hit: HitReading, picture: DecayMap) -> None:
    """Frequency and decay of the four strongest lines, at the right, apart from each other."""
    strong = sorted(hit.partials, key=lambda p: p.level_db, reverse=True)
    placed: list[float] = []
    room = 0.05 * picture.frequencies[-1]
    for partial in strong:
        here = partial.frequency_hz
        if here > 0.95 * picture.frequencies[-1] or any(abs(here - other) < room for other in placed):
            continue
        placed.append(here)
        mode = f" ({partial.mode[0]},{partial.mode[1]})" if partial.mode else ""
        axes.annotate(
            f"{here:.0f} Hz{mode}: {partial.decay_s:.2f} s",
            (0.985, here),
            (0.0, 4.0),
            ha="right",
            va="bottom",
            xycoords=axes.get_yaxis_transform(),
            textcoords="offset points",
            fontsize=style.SMALL_SIZE,
            color=style.INK,
            bbox={"boxstyle": "square,pad=0.12", "fc": "white", "ec": "none", "alpha": 0.8},
        )
        if len(placed) == 4:  # more would cover the picture
            break


def after_note(axes: Axes, hit: HitReading) -> None:
    """Pitch of the main partial over time in cents above where it settles, with the law and the note."""
    style.plain(axes, "After-note: how the pitch settles")
    axes.set(xlabel="time after the stroke (s)", ylabel="cents above the settled pitch")
    if hit.lines is None or hit.note is None:
        axes.text(0.5, 0.5, "no partial stands out", ha="center", fontsize=style.TEXT_SIZE, transform=axes.transAxes)
        return
    glide = hit.lines.glide
    times, ratio = glide.track.times, glide.law.ratio(glide.track.times)
    axes.axvspan(0.04, 0.12, color=style.YELLOW, alpha=0.35, linewidth=0)
    height = 1200.0 * np.log2(np.maximum(glide.track.frequencies, 1.0) / glide.settled)
    axes.plot(times, height, color=style.BLUE, linewidth=1.6, label="heard")
    axes.plot(times, 1200.0 * np.log2(ratio), color=style.VERMILION, linewidth=2.4, linestyle="--", label="law")
    axes.axhline(0.0, color=style.INK, linewidth=1.0)
    most = max(30.0, 1.3 * abs(glide.fall_cents), 1.1 * float(np.abs(1200.0 * np.log2(ratio)).max(initial=0.0)))
    axes.set(xlim=(0.0, max(float(times[-1]), 0.2) if times.size else 0.2), ylim=(-0.4 * most, most))
    name, off = hit.note
    axes.text(0.98, 0.06, f"settles at {glide.settled:.1f} Hz, {name} {off:+z.0f} cents", ha="right", va="bottom",
              fontsize=style.TEXT_SIZE, transform=axes.transAxes)  # fmt: skip
    way = "falls" if glide.fall_cents >= 0 else "rises"
    axes.text(0.125, 0.92 * most, f" {way} {abs(glide.fall_cents):.0f} cents\n from 40-120 ms", va="top",
              fontsize=style.TEXT_SIZE)  # fmt: skip
    axes.grid(color=style.GRID, linewidth=0.6)
    axes.legend(fontsize=style.SMALL_SIZE, frameon=False, loc="upper right")


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


def overview(hit: HitReading, picture: DecayMap | None, changes: tuple[Change, ...] = ()) -> Figure:
    """All pictures of a hit under one another; `picture` None leaves the map out (too short a hit)."""
    heights = [HEIGHTS[0], *([HEIGHTS[1]] if picture else []), HEIGHTS[2]]
    heights += [1.4 + 0.55 * len(changes)] if changes else []
    figure = style.figure(sum(heights))
    axes = iter(np.atleast_1d(figure.subplots(len(heights), 1, height_ratios=heights)))
    level_decay(next(axes), hit)
    if picture is not None:
        decay_picture(next(axes), picture, hit)
    after_note(next(axes), hit)
    if changes:
        before_after(next(axes), changes)
    return figure
