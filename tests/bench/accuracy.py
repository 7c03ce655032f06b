"""How exact the program is, beside what a user would otherwise reach for and beside the physical limit.

    python tests/bench/accuracy.py PART [FOLDER ...] [--show]

Each part measures one thing and writes its own marked stretch of docs/accuracy.md (with --show it only prints it):

    lines      frequency and decay of one damped line over the Cramer-Rao bound
    doublets   pairs of lines: share resolved, error
    glide      a falling pitch and a pair of lines told apart
    decay      T20 and T30 beside pyrato and pyroomacoustics (extra `reference`)
    rods       pulls beside a reader of the strongest line; needs FOLDERs of takes with truth.json (make_takes.py)
    given      the same for takes that another program made
    moves      moves heard by taps at the rods just turned
    taps       taps found beside librosa's onset detection (needs Debian's sonic-pi-samples)

Seeds are fixed, so the same machine writes the same figures. rounds.py and speed.py add parts of their own.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from textwrap import fill

PAGE = Path(__file__).resolve().parents[2] / "docs" / "accuracy.md"


def write(part: str, text: str, file: Path | None = None) -> None:
    """Replace a part of a page (this one's if none is named) between its marks, or add it at the end."""
    file = file or PAGE
    begin, end = f"<!-- {part}: begin -->", f"<!-- {part}: end -->"
    page = file.read_text(encoding="utf-8")
    marked = f"{begin}\n{text.strip()}\n{end}"
    if begin in page:
        head, rest = page.split(begin, 1)
        page = head + marked + rest.split(end, 1)[1]
    else:
        page = f"{page.rstrip()}\n\n{marked}\n"
    file.write_text(page, encoding="utf-8")


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """A Markdown table."""
    lines = [head, ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def section(title: str, prose: str, rows: str, after: str = "") -> str:
    """A part of the page: its title, what was done, the table, and what else there is to say."""
    return "\n\n".join(text for text in (f"## {title}", fill(prose, 118), rows, fill(after, 118)) if text)


def parts() -> dict[str, Callable[[list[Path]], str]]:
    """What can be measured; each module is loaded with the rest, for it is small."""
    import accuracy_lines
    import accuracy_moves
    import accuracy_rods
    import accuracy_sound

    return {
        "lines": accuracy_lines.lines,
        "doublets": accuracy_lines.doublets,
        "glide": accuracy_lines.glide,
        "decay": accuracy_sound.decay,
        "rods": accuracy_rods.rods,
        "given": accuracy_rods.given,
        "moves": accuracy_moves.moves,
        "taps": accuracy_sound.taps,
    }


def main() -> None:
    """Measure the parts named, write or print each."""
    known = parts()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", choices=known)
    parser.add_argument("folder", nargs="*", type=Path)
    parser.add_argument("--show", action="store_true")
    asked = parser.parse_args()
    text = known[asked.part](asked.folder)
    print(text)
    if not asked.show:
        write(asked.part, text)


if __name__ == "__main__":
    main()
