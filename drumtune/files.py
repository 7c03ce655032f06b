"""Files that are written whole or not at all: under a temporary name beside the target, then renamed."""

from __future__ import annotations

import os
import stat
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

    Where `path` is a link, the file it leads to is written, and the link stays.

    Raises
    ------
    DrumtuneError
        If the folder of `path` is missing or may not be written to, `path` is no plain file, or the disk refuses.
    """
    _check_plain(path)
    target = Path(os.path.realpath(path))
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{path.stem[:40]}-", suffix=path.suffix)
    except OSError as cause:
        raise _refused(path, cause) from cause
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(target)
    except OSError as cause:
        raise _refused(path, cause) from cause
    finally:
        temporary.unlink(missing_ok=True)


def check_writable(path: Path) -> None:
    """Refuse, before any work is done, a file that could not be written at the end.

    Raises
    ------
    DrumtuneError
        If `path` is a folder or no plain file, or its folder is missing or may not be written to.
    """
    _check_plain(path)
    folder = Path(os.path.realpath(path)).parent
    if not folder.is_dir():
        raise DrumtuneError(f"cannot write {path}: there is no folder {folder}, make it first")
    if not os.access(folder, os.W_OK):
        raise DrumtuneError(f"cannot write {path}: the folder may not be written to, choose another")


def _check_plain(path: Path) -> None:
    """Refuse to put a file in the place of a folder, device, pipe or socket, or where no file can be.

    Raises
    ------
    DrumtuneError
        Saying what is there.
    """
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as cause:
        raise _refused(path, cause) from cause
    if stat.S_ISDIR(mode):
        raise DrumtuneError(f"cannot write {path}: it is a folder, give a file name")
    if not stat.S_ISREG(mode):
        raise DrumtuneError(f"cannot write {path}: it is no file but a device, pipe or socket, give a file name")


def check_folder(folder: Path) -> None:
    """Refuse, before any work is done, a folder that cannot be made or written to.

    Raises
    ------
    DrumtuneError
        If `folder` is a file, or it or the folder it is to be made in may not be written to.
    """
    if os.path.isdir(folder):
        check_writable(folder / "x")
        return
    if os.path.lexists(folder):
        raise DrumtuneError(f"cannot write into {folder}: it is no folder, give another name")
    check_writable(folder)


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
    return DrumtuneError(f"cannot write {shown(path)}: {cause.strerror or cause}, choose another place")


def shown(path: Path) -> str:
    """A path in a line of text: long ones shortened, what is not printable as a question mark."""
    words = "".join(c if c.isprintable() else "?" for c in str(path)) or "''"
    return words if len(words) <= 200 else f"{words[:90]}...{words[-90:]}"


def _umask() -> int:
    value = os.umask(0)
    os.umask(value)
    return value
