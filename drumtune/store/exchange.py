"""The whole log as text and back: one JSON file, or a folder with one CSV per table.

Both hold every table and column under the names of docs/data.md, so that a log made from either is the same log.
Numbers are written so that they read back exactly; an empty CSV field is NULL.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import sqlite3
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from drumtune.files import shown
from drumtune.store import queries
from drumtune.store.file import LogError, made, utc_now
from drumtune.store.schema import MIGRATIONS, TABLES, migrate

FORMAT = "drumtune log"
LARGEST = 200_000_000
"""Bytes of an export beyond which it is not read: thousands of takes."""
Tables = dict[str, list[dict[str, Any]]]
_NO_EXPORT = (
    KeyError, TypeError, ValueError, AttributeError, OverflowError, sqlite3.IntegrityError, sqlite3.InterfaceError,
    sqlite3.DataError,
)  # fmt: skip
"""What rows that are not those of a log fail with."""


def tables(connection: sqlite3.Connection) -> Tables:
    """All rows of all tables, read at one moment."""
    connection.execute("BEGIN")
    try:
        return {name: _rows(connection, name) for name in TABLES}
    finally:
        connection.execute("ROLLBACK")


def _rows(connection: sqlite3.Connection, table: str) -> list[dict[str, Any]]:
    keys = ", ".join(name for name, _, key in _columns(connection, table) if key)
    cursor = connection.execute(f"SELECT * FROM {table} ORDER BY {keys}")
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def _columns(connection: sqlite3.Connection, table: str) -> list[tuple[str, str, bool]]:
    """Name, type and whether part of the key, of each column."""
    return [(row[1], row[2], bool(row[5])) for row in connection.execute(f"PRAGMA table_info({table})")]


def as_json(content: Tables) -> str:
    """All tables as one JSON text."""
    version = max(row["number"] for row in content["migrations"])
    return json.dumps({"format": FORMAT, "version": version, "tables": content}, indent=1, ensure_ascii=False) + "\n"


def as_csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Return one table as CSV with a head line, NULL as an empty field, numbers so that they read back exactly.

    All text is quoted: left to itself the writer leaves a lone carriage return bare, which ends a line when it is read.
    """
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    table.writerow(columns)
    table.writerows([row[name] for name in columns] for row in rows)
    return text.getvalue()


def column_names(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """Columns of every table, in order."""
    return {table: [name for name, _, _ in _columns(connection, table)] for table in TABLES}


def read_export(path: Path) -> Tables:
    """All tables of an export: a JSON file, or a folder of CSV files (all values still text there).

    Raises
    ------
    LogError
        If it is no export.
    """
    try:
        if path.is_dir():
            return {name: _read_csv(path / f"{name}.csv", columns) for name, columns in _known_columns().items()}
        if not path.is_file() or path.stat().st_size > LARGEST:
            raise LogError(f"{path} is no export of a log: give the .json file or the folder that log export wrote")
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as cause:
        raise LogError(f"cannot read {shown(path)}: {cause.strerror or cause}") from cause
    except (ValueError, RecursionError) as cause:
        raise LogError(f"{path} is no export of a log: it is no JSON ({cause!s:.200})") from cause
    found = document.get("tables") if isinstance(document, dict) and document.get("format") == FORMAT else None
    if not isinstance(found, dict) or set(found) != set(TABLES):
        raise LogError(f"{path} is no export of a log, or of another version of drumtune")
    return found


def _known_columns() -> dict[str, list[str]]:
    """Columns of every table of a log of this version."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection, utc_now())
        return column_names(connection)


def _read_csv(path: Path, columns: Sequence[str]) -> list[dict[str, Any]]:
    if not path.is_file():
        raise LogError(f"{path} is missing: the folder is no export of a log, or not whole")
    if path.stat().st_size > LARGEST:
        raise LogError(f"{path} is larger than any table of a log")
    try:
        with path.open(encoding="utf-8", newline="") as file:
            table = csv.DictReader(file, strict=True, restval=None)
            if set(table.fieldnames or ()) != set(columns):
                raise LogError(f"{path} has other columns than that table of a log: its head line is lost or changed")
            return list(table)
    except (ValueError, csv.Error) as cause:
        raise LogError(f"{path} is no CSV of a log: {cause!s:.200}") from cause


def build(path: Path, content: Tables) -> None:
    """Make a log at `path`, where there is none, from the tables of an export; whole or not at all.

    Raises
    ------
    LogError
        If there is a file, or the tables are not those of a log of this version.
    """
    if path.exists():
        raise LogError(f"{path} exists: an export is read into a new log, name one with --log")
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with made(path) as connection:
            migrate(connection, utc_now())
            connection.execute("BEGIN")
            connection.execute("DELETE FROM migrations")
            for table in TABLES:
                _insert_all(connection, table, content[table])
            _check_built(connection)
            connection.execute("COMMIT")
    except _NO_EXPORT as cause:
        raise LogError(f"this is no export of a log of this version: {cause!s:.200}; nothing was written") from cause


def _insert_all(connection: sqlite3.Connection, table: str, rows: Sequence[Mapping[str, Any]]) -> None:
    columns = _columns(connection, table)
    marks = ", ".join("?" * len(columns))
    for row in rows:
        if set(row) != {name for name, _, _ in columns}:
            raise ValueError(f"{table} has other columns")
        values = [_value(row[name], kind) for name, kind, _ in columns]
        connection.execute(f"INSERT INTO {table} VALUES ({marks})", values)


def _value(value: Any, kind: str) -> str | int | float | None:  # noqa: ANN401
    """Give a value of an export the type of its column."""
    if value is None or value == "":
        return None
    if isinstance(value, (dict, list)):
        raise TypeError("a value is a table")
    if kind == "REAL" and not math.isfinite(float(value)):
        raise ValueError("a value is not finite")
    return int(value) if kind == "INTEGER" else float(value) if kind == "REAL" else str(value)


def _check_built(connection: sqlite3.Connection) -> None:
    """Refuse references into nothing, takes that make no sense, and records of other migrations than this program's."""
    numbers = [number for (number,) in connection.execute("SELECT number FROM migrations ORDER BY number")]
    if numbers != [migration.number for migration in MIGRATIONS]:
        raise ValueError(f"it is of version {max(numbers, default=0)}, this program writes {MIGRATIONS[-1].number}")
    stray = connection.execute("PRAGMA foreign_key_check").fetchone()
    if stray is not None:
        raise ValueError(f"row {stray[1]} of {stray[0]} refers to nothing")
    try:
        queries.stands(connection)
        queries.entries(connection, undone=True)
    except LogError as cause:
        raise ValueError(str(cause).partition(":")[0]) from cause


def write_folder(folder: Path, content: Tables, columns: Mapping[str, Sequence[str]]) -> None:
    """Write one CSV per table into a new folder, whole or not at all.

    Raises
    ------
    LogError
        If the folder exists, or cannot be made.
    """
    if os.path.lexists(folder):
        raise LogError(f"{shown(folder)} exists: name a new folder, or a .json file")
    parent = Path(os.path.realpath(folder)).parent
    try:
        with tempfile.TemporaryDirectory(dir=parent, prefix=f".{folder.name}-") as inside:
            made_here = Path(inside) / "export"
            made_here.mkdir()
            for table, rows in content.items():
                (made_here / f"{table}.csv").write_text(as_csv(rows, columns[table]), encoding="utf-8", newline="")
            made_here.rename(folder)
    except OSError as cause:
        raise LogError(f"cannot write {folder}: {cause.strerror or cause}, choose another place") from cause
