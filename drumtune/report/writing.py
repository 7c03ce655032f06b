"""One door for reports: the ending of the file says whether it becomes a page or paper."""

from __future__ import annotations

from pathlib import Path

from drumtune.files import written
from drumtune.report.content import Document


def write(document: Document, path: Path) -> None:
    """Write a document to a file ending in .html or .pdf, whole or not at all.

    Raises
    ------
    DrumtuneError
        If the file cannot be written.
    """
    if path.suffix.lower() == ".pdf":
        from drumtune.report.paper import write as write_paper

        write_paper(document, path)
        return
    from drumtune.report.page import html

    text = html(document)
    with written(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
