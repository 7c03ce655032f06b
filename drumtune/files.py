"""Files that are written whole or not at all: under a temporary name beside the target, then renamed."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drumtune.errors import DrumtuneError

PICTURES = (".png", ".svg", ".pdf")
"""Endings a picture may have."""
REPORTS = (".html", ".pdf")
"""Endings a report may have."""


@contextmanager
def written(path: Path) -> Iterator[Path]:
    """Give a temporary path to write to; it becomes `path` when the block ends well and vanishes when it does not.

    Raises
    ------
    DrumtuneError
        If the folder of `path` is missing or may not be written to, or the disk refuses.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
    except OSError as cause:
        raise _refused(path, cause) from cause
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except OSError as cause:
        raise _refused(path, cause) from cause
    finally:
        temporary.unlink(missing_ok=True)


def check_writable(path: Path) -> None:
    """Refuse, before any work is done, a file that could not be written at the end.

    Raises
    ------
    DrumtuneError
        If `path` is a folder, or its folder is missing or may not be written to.
    """
    if path.is_dir():
        raise DrumtuneError(f"cannot write {path}: it is a folder, give a file name")
    if not path.parent.is_dir():
        raise DrumtuneError(f"cannot write {path}: there is no folder {path.parent}, make it first")
    if not os.access(path.parent, os.W_OK):
        raise DrumtuneError(f"cannot write {path}: the folder may not be written to, choose another")


def check_picture(path: Path) -> None:
    """Refuse a picture file whose ending names no kind of picture that can be written, before any work is done.

    Raises
    ------
    DrumtuneError
        If the ending is not .png, .svg or .pdf.
    """
    if path.suffix.lower() not in PICTURES:
        raise DrumtuneError(
            f"a picture is written as .png, .svg or .pdf, got {path.name!r}: choose one of these endings"
        )


def check_report(path: Path) -> None:
    """Refuse a report whose ending is neither that of a page nor that of paper, before any work is done.

    Raises
    ------
    DrumtuneError
        If the ending is not .html or .pdf.
    """
    if path.suffix.lower() not in REPORTS:
        raise DrumtuneError(f"a report is written as .html or .pdf, got {path.name!r}: choose one of these endings")


def _refused(path: Path, cause: OSError) -> DrumtuneError:
    return DrumtuneError(f"cannot write {path}: {cause.strerror or cause}, choose another place")


def _umask() -> int:
    value = os.umask(0)
    os.umask(value)
    return value
