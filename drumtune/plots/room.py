"""The room in a picture: its response where the microphone is, with the modes under it and the kit's notes on it.

Axes in, artists out; all values come from `drumtune.advice.room`. A lifted note is a triangle up, a swallowed one a
triangle down, one left alone a dot; each says so in words.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drumtune.advice.room import PLAIN_DB, NoteGain, RoomReport
from drumtune.plots import style

MARKS = {"lifted": ("^", style.VERMILION), "left alone": ("o", style.INK), "swallowed": ("v", style.BLUE)}
"""Shape and colour of a note by its verdict."""
KINDS = {"axial": (1.0, 2.2), "tangential": (0.65, 1.4), "oblique": (0.35, 0.8)}
"""Height (share of the strip) and width of a mode's stroke by its kind: the more walls it avoids, the longer."""
_NOTE_ROW = 4.4


def overview(report: RoomReport) -> Figure:
    """Return the whole figure: response with notes, and the modes under it."""
    figure = style.figure(7.4)
    top, under = figure.subplots(2, 1, sharex=True, height_ratios=[4.2, 1.0])
    response(top, report)
    modes(under, report)
    top.set_xlim(float(report.curve.frequency[0]), _end(report))
    under.set_xlabel("frequency, Hz")
    return figure


def _end(report: RoomReport) -> float:
    highest = max((note.frequency for note in report.notes), default=0.0)
    return float(min(report.curve.frequency[-1], max(1.25 * report.schroeder, 1.12 * highest, 120.0)))


def response(axes: Axes, report: RoomReport) -> None:
    """Draw the gain over frequency, the Schroeder frequency, and the notes."""
    curve = report.curve
    shown = curve.frequency <= _end(report)
    axes.axhspan(-PLAIN_DB, PLAIN_DB, color=style.GRID, alpha=0.5, linewidth=0.0)
    axes.plot(curve.frequency, curve.gain_db, color=style.SKY, linewidth=1.6)
    axes.axvline(report.schroeder, color=style.QUIET, linestyle=(0, (5, 3)), linewidth=1.2)
    low, high = float(curve.gain_db[shown].min()), float(curve.gain_db[shown].max())
    rows = _label_rows(report.notes, _end(report) - float(curve.frequency[0]))
    high = max(high, PLAIN_DB + 2.0)
    for note, row in zip(report.notes, rows, strict=True):
        _note(axes, note, high + _NOTE_ROW * (row + 0.6))
    room = _NOTE_ROW * (max(rows, default=-1) + 2.2)
    axes.set_ylim(max(low, -36.0) - 2.0, high + room)
    axes.annotate(
        "single modes end here",
        (report.schroeder, 0.01),
        xycoords=("data", "axes fraction"),
        xytext=(-4, 3),
        textcoords="offset points",
        ha="right",
        fontsize=style.SMALL_SIZE,
        color=style.QUIET,
    )
    axes.set_yticks([tick for tick in range(-40, 41, 10) if low - 4.0 < tick < high + 4.0])
    axes.set_ylabel("gain, dB")
    style.plain(axes, "What the room does to a note")


def _note(axes: Axes, note: NoteGain, height: float) -> None:
    """Mark one note on its gain and name it above."""
    marker, colour = MARKS[note.verdict]
    axes.plot([note.frequency] * 2, [note.gain_db, height], color=colour, linewidth=0.9, alpha=0.7)
    axes.plot([note.frequency], [note.gain_db], marker=marker, color=colour, markersize=10, linestyle="none")
    axes.annotate(
        f"{note.name}\n{note.verdict}\n{round(note.gain_db) + 0.0:+.0f} dB",
        (note.frequency, height),
        xytext=(0, 2),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=style.SMALL_SIZE,
        color=style.INK,
        linespacing=1.0,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.5},
    )


def _label_rows(notes: tuple[NoteGain, ...], span: float) -> list[int]:
    """Row of each note's label, so that none covers another; a row is three lines high."""
    ends: list[float] = []
    rows = [0] * len(notes)
    for place in np.argsort([note.frequency for note in notes]):
        note = notes[place]
        row = next((r for r, end in enumerate(ends) if note.frequency > end), len(ends))
        ends[row : row + 1] = [note.frequency + 0.2 * span]
        rows[place] = 2 * row
    return rows


def modes(axes: Axes, report: RoomReport) -> None:
    """Draw the modes as strokes, the longer the fewer walls they meet, with a key in words."""
    for kind, (height, width) in KINDS.items():
        own = [f for f, name in zip(report.modes.frequency, report.modes.kind, strict=True) if name == kind]
        axes.vlines(own, 0.0, height, color=style.INK, linewidth=width, label=kind)
    axes.set_ylim(0.0, 1.05)
    axes.set_yticks([0.17, 0.5, 0.83], ["oblique", "tangential", "axial"])
    style.plain(axes, "Its modes")
    axes.tick_params(axis="y", length=0, labelsize=style.SMALL_SIZE)
