"""What all pictures share: colours, sizes, and how a figure reaches a file.

Colours are the Okabe-Ito set (Okabe & Ito, "Color Universal Design", 2008), told apart by people of every colour
vision; what they mean is also said by shape and word. Pictures are tall rather than wide, so that they can be read on
a phone. No pyplot and no global settings: a figure is made, drawn on and written.
"""

from __future__ import annotations

from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from drumtune.files import check_picture, written

INK = "#000000"
QUIET = "#595959"
GRID = "#d0d0d0"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"

RAISE = BLUE
LOWER = VERMILION
"""A rod to raise is blue with a triangle up and the word; one to lower is vermilion with a triangle down."""

TENSION = LinearSegmentedColormap.from_list("tension", [BLUE, SKY, "#f7f7f7", ORANGE, VERMILION])
"""Slack to tight, light in the middle: blue against orange, which differ for every colour vision."""

TITLE_SIZE, TEXT_SIZE, SMALL_SIZE = 13, 11, 10
DOTS_PER_INCH = 200


def figure(height: float, width: float = 5.4) -> Figure:
    """Return an empty figure, inches, laid out so that labels do not collide."""
    return Figure(figsize=(width, height), layout="constrained", facecolor="white")


def save(figure: Figure, path: Path) -> None:
    """Write a figure as the ending of `path` says, whole or not at all, without a date or the name of a program in it.

    Raises
    ------
    DrumtuneError
        If the ending is not one of ``drumtune.files.PICTURES``, or the file cannot be written.
    """
    check_picture(path)
    kind = path.suffix.lower().lstrip(".")
    undated = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    with written(path) as temporary:
        figure.savefig(temporary, format=kind, dpi=DOTS_PER_INCH, metadata=undated)


def signed(value: float) -> str:
    """A whole number with its sign, a true minus (U+2212), zero without."""
    return f"{value:+.0f}".replace("-", "\u2212") if round(value) else "0"


def plain(axes: Axes, title: str) -> None:
    """Give axes the common look: title at the left, light frame, readable text."""
    axes.set_title(title, loc="left", fontsize=TITLE_SIZE, color=INK)
    axes.tick_params(labelsize=TEXT_SIZE, colors=INK)
    axes.xaxis.label.set_fontsize(TEXT_SIZE)
    axes.yaxis.label.set_fontsize(TEXT_SIZE)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
