"""`--report FILE`, which several commands share: the option, its check, and the writing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from drumtune.report.content import Document

ReportFile = Annotated[
    Path | None, typer.Option("--report", help="Write a page to keep or hand on to this .html or .pdf file.")
]


def check(path: Path | None) -> None:
    """Refuse, before any work, a report that no ending tells how to write.

    Raises
    ------
    DrumtuneError
        If the ending is not .html or .pdf.
    """
    if path is not None:
        from drumtune.files import check_report

        check_report(path)


def write(path: Path, document: Document) -> None:
    """Write a document as the ending of `path` says.

    Raises
    ------
    DrumtuneError
        If the file cannot be written.
    """
    from drumtune.report.writing import write as write_document

    write_document(document, path)
