"""Stand and kit files on disk, read as UTF-8 TOML of bounded size."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from drumtune.errors import StandError
from drumtune.files import shown
from drumtune.stand import Kit, Stand, parse_kit, parse_stand

_Parsed = TypeVar("_Parsed")
LARGEST = 1_000_000
"""A kit file is a page of text; more bytes than this are not read."""


def read_text(path: Path, most: int = LARGEST) -> str:
    """Text of a file of at most `most` bytes.

    Raises
    ------
    StandError
        If there is no such file, it is no plain file, is too large, may not be read or is not UTF-8.
    """
    try:
        if not path.exists():
            raise StandError(f"there is no file {shown(path)}")
        if not path.is_file():
            raise StandError(f"{path} is no plain file: give a text file")
        with path.open("rb") as file:
            data = file.read(most + 1)
    except OSError as cause:
        raise StandError(f"cannot read {shown(path)}: {cause.strerror or cause}") from cause
    if len(data) > most:
        raise StandError(f"{path} is larger than any file of this kind ({most} bytes): is it the right file?")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as cause:
        raise StandError(f"{path} is not UTF-8 text: is it the right file?") from cause


def read_kit(path: Path) -> Kit:
    """Read a kit from a TOML file (see `drumtune.stand`).

    Raises
    ------
    StandError
        Naming the file and what is wrong in it.
    """
    return _read(path, parse_kit)


def read_stand(path: Path) -> Stand:
    """Read one drum from a TOML file (see `drumtune.stand`).

    Raises
    ------
    StandError
        Naming the file and what is wrong in it.
    """
    return _read(path, parse_stand)


def _read(path: Path, parse: Callable[[str], _Parsed]) -> _Parsed:
    text = read_text(path)
    try:
        return parse(text)
    except StandError as cause:
        raise StandError(f"{path}: {cause}") from cause
