"""A reading in figures: the rim strip as the main picture, the head and the lines at each rod with it."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from drumtune.advice.head_map import HeadMap
from drumtune.advice.reading import Reading
from drumtune.advice.turns import Move
from drumtune.plots import head, rim_strip, spectrum, style

HEIGHTS = (4.0, 5.2, 4.2)
"""Heights of the three pictures, inches."""


def overview(reading: Reading, moves: Sequence[Move], seen: HeadMap) -> Figure:
    """Return one figure of a reading, its moves and its head seen from above, three pictures under one another."""
    figure = style.figure(sum(HEIGHTS))
    strip, above, lines = figure.subplots(3, 1, height_ratios=HEIGHTS)
    rim_strip.draw(strip, reading, moves)
    head.draw(above, seen, reading.drum.rods)
    spectrum.draw(lines, reading)
    return figure


def pictures(reading: Reading, moves: Sequence[Move], seen: HeadMap) -> dict[str, Figure]:
    """Return the three pictures one by one and all together, by the name of the file they go to."""
    strip, above, lines = (style.figure(height) for height in HEIGHTS)
    rim_strip.draw(strip.subplots(), reading, moves)
    head.draw(above.subplots(), seen, reading.drum.rods)
    spectrum.draw(lines.subplots(), reading)
    together = overview(reading, moves, seen)
    return {"rim-strip.png": strip, "head.png": above, "lines.png": lines, "overview.pdf": together}
