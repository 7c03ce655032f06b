"""A document as one HTML page: pictures inline, nothing fetched from anywhere."""

from __future__ import annotations

import base64
import io
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from drumtune.report.content import Document

TEMPLATES = Path(__file__).parent / "templates"
DOTS_PER_INCH = 140


def environment() -> Environment:
    """Templates of this package; everything put into them is escaped, and a missing name is an error."""
    return Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True)


def css() -> Markup:
    """The common style sheet, as it stands."""
    return Markup((TEMPLATES / "style.css").read_text(encoding="utf-8"))


def png(figure: Figure, dots_per_inch: int = DOTS_PER_INCH) -> bytes:
    """A figure as PNG, without the name of a program in it."""
    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return data.getvalue()


def inline(figure: Figure) -> str:
    """A figure as the address of itself."""
    return "data:image/png;base64," + base64.b64encode(png(figure)).decode("ascii")


def html(document: Document) -> str:
    """Whole page."""
    template = environment().get_template("report.html")
    return template.render(document=document, css=css(), image=inline)
