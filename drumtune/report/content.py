"""What a page holds, before it is HTML or paper: sections of text, tables and pictures, and the cautions."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure, what stands under it, and what it shows in words for those who do not see it."""

    figure: Figure
    caption: str
    alt: str

    def __post_init__(self) -> None:
        if not self.alt.strip():
            raise ValueError(f"the picture {self.caption!r} needs words for those who do not see it")


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under a head, each as long as it.

    Raises
    ------
    ValueError
        If a row is not.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""

    def __post_init__(self) -> None:
        if any(len(row) != len(self.head) for row in self.rows):
            raise ValueError(f"each row of a table has {len(self.head)} cells")


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a page under one title: sentences or paragraphs, tables, pictures."""

    title: str
    text: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Document:
    """A whole page: title, the answer in a few words, sections, and the cautions that close it."""

    title: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...] = ()
