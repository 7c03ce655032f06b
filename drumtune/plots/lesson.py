"""Pictures of a lesson that no other picture shows: shapes of modes, a beating pair, feel, falls, intervals, time.

Axes in, artists out; all values come from `drumtune.advice.lesson`.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from drumtune.advice.lesson.ear import INTERVALS, LEVELS, Tom
from drumtune.advice.lesson.head import Beating, Mode
from drumtune.advice.lesson.heads import Feel
from drumtune.advice.lesson.time import Falls
from drumtune.notes import interval_name, note_name
from drumtune.plots import style

LOOKS = ((style.BLUE, "-"), (style.ORANGE, "--"), (style.VERMILION, ":"))


def mode_shape(axes: Axes, mode: Mode) -> None:
    """A mode seen from above: blue goes down while orange goes up, with words on both; black lines stand still."""
    x, y, height = mode.shape.x, mode.shape.y, mode.shape.height
    axes.contourf(x, y, height, levels=np.linspace(-1.0, 1.0, 17), cmap=style.TENSION)
    axes.contour(x, y, height, levels=[0.0], colors=style.INK, linewidths=2.0)
    axes.plot(x[-1], y[-1], color=style.INK, linewidth=2.0)
    for sign, word in ((1.0, "up"), (-1.0, "down")):
        place = np.unravel_index(np.argmax(sign * height), height.shape)
        if sign * height[place] > 0.3:
            axes.text(x[place], y[place], word, ha="center", va="center", fontsize=style.TEXT_SIZE)
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_title(f"{mode.name}, {mode.frequency:.0f} Hz", fontsize=style.TITLE_SIZE, color=style.INK)


def beat(axes: Axes, shown: Beating) -> None:
    """The two lines of the pair added up, with their envelope; dips half a beat and whole beats later."""
    end = float(shown.times[-1])
    axes.plot(shown.times, shown.sum, color=style.SKY, linewidth=0.6)
    axes.plot(shown.times, shown.envelope, color=style.INK, linewidth=1.8)
    if shown.dip < end:
        axes.annotate("first dip", (shown.dip, 0.03), xytext=(shown.dip + 0.05, 0.75), fontsize=style.TEXT_SIZE,
                      arrowprops={"arrowstyle": "-|>", "color": style.INK})  # fmt: skip
    axes.set(xlim=(0.0, end), xlabel="time after the tap (s)", yticks=[])
    style.plain(axes, f"The pair beats {shown.rate:.1f} times a second")


def feel(axes: tuple[Axes, Axes], shown: Feel) -> None:
    """Stiffness and stay of the stick over the top head's pitch, and under it what the note does."""
    stiffness, note = axes
    stiffness.plot(shown.top_hz, shown.stiffness / 1000.0, color=style.BLUE, marker="o")
    stiffness.set_ylabel("stiffness, N/mm (dots)", color=style.BLUE)
    stay = stiffness.twinx()
    stay.plot(shown.top_hz, 1000.0 * shown.contact, color=style.VERMILION, marker="s", linestyle="--")
    stay.set_ylabel("stick stays, ms (squares)", color=style.VERMILION, fontsize=style.TEXT_SIZE)
    style.plain(stiffness, "What the stick feels")
    stay.set_ylim(0.0, None)
    stiffness.set_ylim(0.0, None)
    note.plot(shown.top_hz, shown.note, color=style.INK, marker="^")
    note.set_xlabel("pitch of the top head near a rod, Hz")
    note.set_ylabel("note, Hz")
    style.plain(note, "What the drum sounds")


def falls(axes: Axes, shown: Falls) -> None:
    """Pitch over time of three strokes, in cents over where it settles."""
    axes.axvspan(0.04, 0.12, color=style.YELLOW, alpha=0.35, linewidth=0)
    axes.annotate(" 40-120 ms", (0.12, 0.6), xycoords=("data", "axes fraction"), fontsize=style.SMALL_SIZE)
    for (name, cents), (colour, dash) in zip(shown.cents.items(), LOOKS, strict=True):
        axes.plot(shown.times, cents, color=colour, linestyle=dash, linewidth=2.4, label=name)
    axes.legend(fontsize=style.TEXT_SIZE, frameon=False)
    axes.set(xlim=(0.0, shown.times[-1]), ylim=(0.0, None))
    axes.set(xlabel="time after the stroke (s)", ylabel="cents over the note")
    axes.grid(color=style.GRID, linewidth=0.6)
    style.plain(axes, "How the pitch falls")


def interval_notes(axes: Axes, toms: tuple[Tom, ...]) -> None:
    """Both toms' notes for each interval: the larger one as a dot, the smaller one as a diamond."""
    low, *highs = toms
    for place, high in enumerate(highs):
        axes.plot([place, place], [low.note, high.note], color=style.GRID, linewidth=3.0, zorder=1)
        axes.plot(place, low.note, "o", color=style.INK, markersize=10)
        axes.plot(place, high.note, "D", color=style.BLUE, markersize=9)
        axes.annotate(note_name(high.note)[0], (place, high.note), xytext=(0, 9), textcoords="offset points",
                      ha="center", fontsize=style.TEXT_SIZE)  # fmt: skip
    axes.set_yscale("log", base=2)
    axes.set_yticks([high.note for high in highs], [f"{high.note:.0f}" for high in highs])
    axes.minorticks_off()
    axes.set_xticks(range(len(INTERVALS)), [interval_name(k).replace(" ", "\n") for k in INTERVALS])
    axes.set_ylim(0.93 * low.note, 1.15 * max(tom.note for tom in toms))
    axes.set_ylabel("note, Hz")
    style.plain(axes, "Smaller tom (diamond) over larger (dot)")


def exposure(axes: Axes, minutes: list[float]) -> None:
    """How long a day ears may bear each level, as bars on a logarithmic scale."""
    places = np.arange(len(LEVELS))
    axes.barh(places, minutes, color=style.SKY, edgecolor=style.INK)
    for place, time in zip(places, minutes, strict=True):
        words = f"{time / 60:.0f} h" if time >= 120.0 else f"{time:.0f} min"
        axes.text(1.12 * time, float(place), words, va="center", fontsize=style.TEXT_SIZE)
    axes.set_xscale("log")
    axes.set(xlim=(1.0, 2500.0), xlabel="minutes a day")
    axes.set_yticks(places, [f"{level} dBA" for level in LEVELS])
    style.plain(axes, "How long ears may bear it")
