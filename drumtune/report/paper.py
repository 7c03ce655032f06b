"""A document on paper: A4 pages as PDF by matplotlib alone, so that nothing else has to be installed.

Lengths in inches from the left and from the top. Text is set in matplotlib's own DejaVu Sans, as text, and wrapped by
its real width. What does not fit goes to the next page; a picture too tall for one is made smaller.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread

from drumtune.files import written
from drumtune.plots import style
from drumtune.report.content import Document, Picture, Section, Table

WIDTH, HEIGHT = 8.27, 11.69
"""A4 (ISO 216)."""
MARGIN = 0.8
TEXT, HEADING, TITLE, SMALL = 10.0, 14.0, 20.0, 8.5
"""Sizes of type, points."""
LEADING = 1.4
PICTURE_WIDTH, PICTURE_HEIGHT = 5.4, 7.6
DOTS_PER_INCH = 170
_COLUMN_GAP = 0.18
GAP = 0.2
"""Between pictures side by side."""


@dataclass(slots=True)
class Paper:
    """Pages being filled: the one at hand, and how far down it is full (inches from the top)."""

    pages: list[Figure] = field(default_factory=list)
    down: float = HEIGHT

    @property
    def page(self) -> Figure:
        """The page at hand."""
        return self.pages[-1]

    def need(self, height: float) -> None:
        """Go to a new page unless so much is free on this one."""
        if not self.pages or self.down + height > HEIGHT - MARGIN:
            self.pages.append(Figure(figsize=(WIDTH, HEIGHT), facecolor="white"))
            self.down = MARGIN

    def line(
        self, words: str, size: float, *, bold: bool = False, left: float = MARGIN, colour: str = style.INK
    ) -> None:
        """Set one line at the present height, without going on."""
        self.page.text(
            left / WIDTH, 1.0 - (self.down + size / 72.0) / HEIGHT, words, fontsize=size, color=colour,
            fontweight="bold" if bold else "normal", va="baseline", parse_math=False,
        )  # fmt: skip


def write(document: Document, path: Path) -> None:
    """Write a document as PDF, whole or not at all, without a date in it.

    Raises
    ------
    DrumtuneError
        If the file cannot be written.
    """
    paper = lay(document)
    undated: dict[str, str | datetime | None] = {"Title": document.title, "CreationDate": None, "Producer": None}
    with (
        written(path) as temporary,
        rc_context({"pdf.fonttype": 42}),
        PdfPages(temporary, metadata=undated) as pages,
    ):
        for page in paper.pages:
            pages.savefig(page)


def lay(document: Document) -> Paper:
    """Lay a document out on pages."""
    paper = Paper()
    _flow(paper, document.title, TITLE, bold=True)
    for line in document.lead:
        _flow(paper, line, TEXT + 1.0)
    for section in document.sections:
        _section(paper, section)
    if document.cautions:
        _section(paper, Section("Mind", tuple(f"• {line}" for line in document.cautions)))
    for number, page in enumerate(paper.pages, start=1):
        page.text(0.5, 0.4 / HEIGHT, f"{number} of {len(paper.pages)}", fontsize=SMALL, ha="center", color=style.QUIET)
    return paper


def _section(paper: Paper, section: Section) -> None:
    paper.need(1.2)
    paper.down += 0.18
    _flow(paper, section.title, HEADING, bold=True)
    for line in section.text:
        _flow(paper, line, TEXT)
    for table in section.tables:
        _table(paper, table)
    _pictures(paper, section.pictures)


def _flow(paper: Paper, text: str, size: float, *, bold: bool = False, colour: str = style.INK) -> None:
    """Set a paragraph, wrapped, and a little room after it."""
    step = LEADING * size / 72.0
    for words in wrapped(text, size, WIDTH - 2.0 * MARGIN, bold=bold):
        paper.need(step)
        paper.line(words, size, bold=bold, colour=colour)
        paper.down += step
    paper.down += 0.35 * step


def wrapped(text: str, size: float, room: float, *, bold: bool = False) -> Iterator[str]:
    """Lines of a text no wider than `room` inches; a word wider than that stands alone."""
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if line and width(longer, size, bold=bold) > room:
            yield line
            line = word
        else:
            line = longer
    if line:
        yield line


@lru_cache(maxsize=1)
def _renderer() -> RendererAgg:
    return RendererAgg(1.0, 1.0, 72.0)  # type: ignore[no-untyped-call]  # matplotlib's own stubs leave it out


@lru_cache(maxsize=20000)
def width(words: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of type in inches."""
    font = FontProperties(size=size, weight="bold" if bold else "normal")
    found = _renderer().get_text_width_height_descent(words, font, ismath=False)  # type: ignore[no-untyped-call]
    return float(found[0]) / 72.0


def _table(paper: Paper, table: Table) -> None:
    """Set a table: columns as wide as their widest cell, the last ones narrowed and wrapped when that is too much."""
    if table.caption:
        _flow(paper, table.caption, SMALL, colour=style.QUIET)
    widths = _columns(table)
    lefts = MARGIN + np.concatenate([[0.0], np.cumsum([w + _COLUMN_GAP for w in widths])[:-1]])
    for number, row in enumerate((table.head, *table.rows)):
        cells = [list(wrapped(cell, SMALL, w + 0.01, bold=not number)) for cell, w in zip(row, widths, strict=True)]
        step = LEADING * SMALL / 72.0
        height = step * max(1, *(len(cell) for cell in cells))
        paper.need(height)
        top = paper.down
        for cell, left in zip(cells, lefts, strict=True):
            for place, words in enumerate(cell):
                paper.down = top + place * step
                paper.line(words, SMALL, bold=not number, left=float(left))
        paper.down = top + height
    paper.down += 0.12


def _columns(table: Table) -> list[float]:
    natural = [
        max(width(cell, SMALL, bold=True) for cell in column) for column in zip(table.head, *table.rows, strict=True)
    ]
    room = WIDTH - 2.0 * MARGIN - _COLUMN_GAP * (len(natural) - 1)
    wide = sum(natural)
    if wide <= room:
        return natural
    fair = room / len(natural)
    spare = sum(max(0.0, fair - w) for w in natural)
    over = sum(max(0.0, w - fair) for w in natural)
    return [w if w <= fair else fair + spare * (w - fair) / over for w in natural]


def _pictures(paper: Paper, pictures: tuple[Picture, ...]) -> None:
    """Set pictures, narrow ones side by side."""
    row: list[Picture] = []
    for picture in pictures:
        if row and sum(_size(one)[0] + GAP for one in (*row, picture)) > WIDTH - 2.0 * MARGIN + GAP:
            _row(paper, row)
            row = []
        row.append(picture)
    if row:
        _row(paper, row)


def _size(picture: Picture) -> tuple[float, float]:
    """Width and height of a picture on paper."""
    across, tall = picture.figure.get_size_inches()
    scale = min(PICTURE_WIDTH / across, PICTURE_HEIGHT / tall, 1.0)
    return scale * float(across), scale * float(tall)


def _row(paper: Paper, pictures: list[Picture]) -> None:
    """Set pictures side by side with their captions; all stay on one page."""
    sizes = [_size(picture) for picture in pictures]
    room = [size[0] if len(pictures) > 1 else WIDTH - 2.0 * MARGIN for size in sizes]
    captions = [list(wrapped(one.caption, SMALL, width)) for one, width in zip(pictures, room, strict=True)]
    step, tallest = LEADING * SMALL / 72.0, max(size[1] for size in sizes)
    paper.need(tallest + step * max(map(len, captions)) + 0.25)
    top, left = paper.down, MARGIN
    for picture, (across, tall), caption in zip(pictures, sizes, captions, strict=True):
        box = (left / WIDTH, 1.0 - (top + tall) / HEIGHT, across / WIDTH, tall / HEIGHT)
        axes = paper.page.add_axes(box)
        axes.imshow(_drawn(picture.figure), aspect="auto", interpolation="none")
        axes.axis("off")
        for place, words in enumerate(caption):
            paper.down = top + tall + 0.06 + place * step
            paper.line(words, SMALL, left=left, colour=style.QUIET)
        left += across + GAP
    paper.down = top + tallest + step * max(map(len, captions)) + 0.2


def _drawn(figure: Figure) -> np.ndarray:
    """A figure as an image (height, width, 4), 0...1."""
    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH)
    data.seek(0)
    return imread(data)
