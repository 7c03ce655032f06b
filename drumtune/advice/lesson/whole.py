"""A whole lesson: all chapters of one drum and one seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drumtune.advice.lesson import ear, head, heads, time
from drumtune.advice.lesson.subject import Chapter, Subject, check

CHAPTERS: tuple[Callable[[Subject, int], Chapter], ...] = (
    head.modes, head.uneven, heads.top, heads.bottom, time.after_note, time.damped, ear.intervals, ear.care,
)  # fmt: skip
"""In the order in which they are taught."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """The drum, the seed, the chapters, and what the page's sliders read."""

    subject: Subject
    seed: int
    chapters: tuple[Chapter, ...]
    bench: dict[str, Any]


def lesson(subject: Subject, seed: int, progress: Callable[[float], None] | None = None) -> Lesson:
    """Work out a lesson.

    Parameters
    ----------
    progress
        Called with the share done, 0...1.

    Raises
    ------
    StandError
        If the drum cannot be tuned as described, or not to what a chapter shows.
    """
    check(subject)
    found = []
    for place, chapter in enumerate(CHAPTERS, start=1):
        found.append(chapter(subject, seed))
        if progress is not None:
            progress(place / (len(CHAPTERS) + 1))
    return Lesson(subject, seed, tuple(found), heads.bench(subject))
