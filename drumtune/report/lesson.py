"""A lesson as a folder: one page, its pictures and sounds, and the same on paper. Nothing is fetched from anywhere.

Sounds come as samples in the lesson; whoever calls this writes them (this part knows no audio files).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from drumtune.advice.cautions import hearing_caution
from drumtune.advice.lesson.subject import Chapter, Clip
from drumtune.advice.lesson.whole import Lesson
from drumtune.drum import INCH
from drumtune.files import written
from drumtune.report import page, paper
from drumtune.report.content import Document, Picture, Section, Table
from drumtune.report.lesson_pictures import pictures

PAGE, PAPER, IMAGES, CLIPS = "index.html", "lesson.pdf", "images", "clips"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A chapter with its pictures and the names of their files."""

    chapter: Chapter
    pictures: tuple[Picture, ...]
    names: tuple[str, ...]

    @property
    def tables(self) -> tuple[Table, ...]:
        """Figures of the chapter."""
        return tuple(Table(facts.head, facts.rows) for facts in self.chapter.facts)


def draw(lesson: Lesson) -> tuple[Drawn, ...]:
    """Draw all chapters."""
    found = []
    for chapter in lesson.chapters:
        drawn = pictures(chapter)
        names = tuple(f"{chapter.key}-{number}.png" for number in range(1, len(drawn) + 1))
        found.append(Drawn(chapter, drawn, names))
    return tuple(found)


def clips(lesson: Lesson) -> Iterator[Clip]:
    """All sounds of a lesson, those of the questions among them."""
    for chapter in lesson.chapters:
        yield from chapter.clips
        yield from chapter.question.clips


def describe(lesson: Lesson) -> str:
    """The drum in one sentence."""
    subject = lesson.subject
    return (
        f"{subject.name}: {2.0 * subject.drum.head.radius / INCH:.4g} x {subject.shell.depth / INCH:.4g} inches, "
        f"{subject.drum.rods} rods; top head {subject.top_hz:.1f} Hz near a rod, bottom head {subject.semitones:+g} "
        "semitones from it."
    )


def write(lesson: Lesson, folder: Path) -> None:
    """Write page, pictures and paper into a folder that is there.

    Raises
    ------
    DrumtuneError
        If a file cannot be written.
    """
    drawn = draw(lesson)
    (folder / IMAGES).mkdir(exist_ok=True)
    for one in drawn:
        for name, picture in zip(one.names, one.pictures, strict=True):
            with written(folder / IMAGES / name) as temporary:
                temporary.write_bytes(page.png(picture.figure, 160))
    paper.write(document(lesson, drawn), folder / PAPER)
    with written(folder / PAGE) as temporary:
        temporary.write_text(html(lesson, drawn), encoding="utf-8")


def html(lesson: Lesson, drawn: tuple[Drawn, ...]) -> str:
    """The page."""
    script = (page.TEMPLATES / "lesson.js").read_text(encoding="utf-8")
    data = json.dumps(lesson.bench, separators=(",", ":"), allow_nan=False)
    template = page.environment().get_template("lesson.html")
    return template.render(
        lesson=lesson,
        drawn=drawn,
        about=describe(lesson),
        css=page.css(),
        caution=hearing_caution(),
        images=IMAGES,
        clips=CLIPS,
        paper=PAPER,
        script=Markup(script),
        # numbers and notes only, and nothing in it can end the script: "<" is written out
        bench=Markup(data.replace("<", "\\u003c")),
    )


def document(lesson: Lesson, drawn: tuple[Drawn, ...]) -> Document:
    """The same on paper, with the answers at the end."""
    sections = [
        Section(
            f"{number}. {one.chapter.title}",
            (*one.chapter.text, *_asked(one.chapter)),
            one.tables,
            one.pictures,
        )
        for number, one in enumerate(drawn, start=1)
    ]
    answers = tuple(
        f"{number}. {one.chapter.question.choices[one.chapter.question.answer]}. {one.chapter.question.why}"
        for number, one in enumerate(drawn, start=1)
    )
    sections.append(Section("Answers", answers))
    lead = (describe(lesson), f"Sounds are in the folder {CLIPS}. Lesson of seed {lesson.seed}.")
    return Document("Lesson: top for feel, bottom for tone", lead, tuple(sections), (hearing_caution(),))


def _asked(chapter: Chapter) -> tuple[str, ...]:
    question = chapter.question
    sounds = ", ".join(f"{clip.name}.wav" for clip in question.clips)
    return (f"Listen ({sounds}): {question.ask} {' / '.join(question.choices)}",)
