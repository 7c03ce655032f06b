"""The log's file: found, made, opened, checked, and every trouble with it told in one line.

A new log is made beside its place and put there whole. A file that is no log is never opened for writing. Writers take
turns by SQLite's own locks. Does not know what the tables mean.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from drumtune.errors import DrumtuneError
from drumtune.files import written
from drumtune.store import schema
from drumtune.store.schema import APPLICATION_ID, MIGRATIONS, Migration

BUSY_S = 20.0
"""Seconds a writer waits for another one."""
TRIES = 5
"""Times a reader tries for a moment at which no one writes, before it waits its turn."""
VARIABLE = "DRUMTUNE_LOG"
"""Environment variable that names the log."""
_MAGIC = b"SQLite format 3\x00"


class LogError(DrumtuneError):
    """A log that cannot be read or written, or that does not hold what was asked for."""


def default_path() -> Path:
    """Where the log is: what DRUMTUNE_LOG says, else a file in the user's data folder."""
    told = os.environ.get(VARIABLE)
    if told:
        return Path(told)
    from platformdirs import user_data_path

    return user_data_path("drumtune", appauthor=False) / "log.sqlite3"


def utc_now() -> str:
    """Time now in UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@contextmanager
def opened(
    path: Path, *, writing: bool = False, new: bool = True, migrations: Sequence[Migration] = MIGRATIONS
) -> Iterator[sqlite3.Connection]:
    """Open a log for a block of work; SQLite's and the system's troubles in the block become a LogError.

    Parameters
    ----------
    path
        The log. For writing it is made if there is none, with its folder, unless `new` is False.
    writing
        Whether the block may change anything. Without it nothing is written, not even a migration.
    new
        Whether a log may be made for writing where there is none.
    migrations
        What a log has to be; only tests give others.

    Raises
    ------
    LogError
        If there is no log to read or change, the file is something else, newer or damaged, or the system refuses.
    """
    with told(path, writing=writing):
        if writing and new and not path.exists():
            make(path, migrations)
        _check_head(path)
        with closing(_snapshot(path)) as connection:
            _check_pages(connection, path)
            _check_version(connection, path, migrations, older=writing)
            if not writing:
                yield connection
                return
        with closing(_connected(path)) as connection:
            _brought_up(connection, path, migrations)
            yield connection


def bring_up(path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring an older log up to this version, a copy kept beside it; one of this version stays as it is.

    Raises
    ------
    LogError
        As `opened`; also if there is no log, for none is made here.
    """
    with opened(path, writing=True, new=False, migrations=migrations):
        pass


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All changes of the block or none; they are on the disk when it ends."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def told(path: Path, *, writing: bool) -> Iterator[None]:
    """Turn troubles of SQLite and of the system into one line about the log at `path`."""
    try:
        yield
    except sqlite3.Error as cause:
        raise LogError(_words(path, cause, writing)) from cause
    except (UnicodeEncodeError, OverflowError) as cause:
        raise LogError("no log holds such a name, note or number: check what was typed; nothing was changed") from cause
    except OSError as cause:
        what = "write" if writing else "read"
        raise LogError(
            f"cannot {what} the log {path}: {cause.strerror or cause}; nothing was changed, choose another place with "
            "--log"
        ) from cause


def _words(path: Path, cause: sqlite3.Error, writing: bool) -> str:
    """What an SQLite failure means for the player, and what to do."""
    what = "write" if writing else "read"
    code = (getattr(cause, "sqlite_errorcode", None) or 0) & 0xFF
    meaning = {
        sqlite3.SQLITE_FULL: "the disk is full; nothing was changed, make room and try again",
        sqlite3.SQLITE_IOERR: "the disk refuses (full, or gone); nothing was changed, check it and try again",
        sqlite3.SQLITE_READONLY: "it may not be written to; nothing was changed, choose another place with --log",
        sqlite3.SQLITE_CANTOPEN: "its folder may not be written to; nothing was changed, choose another place with "
        "--log",
        sqlite3.SQLITE_BUSY: "another program keeps it busy; nothing was changed, try again in a while",
        sqlite3.SQLITE_CORRUPT: "the file is damaged; nothing was changed, put a copy back or name another with --log",
        sqlite3.SQLITE_NOTADB: "the file is damaged or no log; nothing was changed, name another with --log",
    }.get(code, f"{cause}; nothing was changed")
    return f"cannot {what} the log {path}: {meaning}"


def make(path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> None:
    """Make an empty log at a place where there is none: built beside it, put there whole.

    Raises
    ------
    OSError
        If the folder cannot be made or written to.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with made(path) as connection:
        schema.migrate(connection, utc_now(), migrations)


@contextmanager
def made(path: Path) -> Iterator[sqlite3.Connection]:
    """Give an empty marked database to fill; it becomes the log at `path` when the block ends well.

    A log that another program put there meanwhile is left alone.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-", suffix=".new")
    os.close(handle)
    temporary = Path(name)
    try:
        with closing(sqlite3.connect(temporary, isolation_level=None)) as connection:
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            yield connection
            connection.execute("PRAGMA journal_mode = WAL")
        _put(temporary, path)
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            temporary.with_name(temporary.name + ending).unlink(missing_ok=True)


def _put(temporary: Path, path: Path) -> None:
    """Give a finished file its name unless that is taken."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            temporary.replace(path)


def _check_head(path: Path) -> None:
    """Look at the file's first bytes, so that a file that is no log is not even opened as one."""
    if not path.exists():
        raise LogError(f"there is no log at {path} yet: it begins with drumtune stand new, or name another with --log")
    if not path.is_file():
        raise LogError(f"{path} is no plain file: name the log with --log")
    with path.open("rb") as file:
        head = file.read(100)
    if head[:16] != _MAGIC:
        raise LogError(f"{path} is no log of drumtune, or it is damaged: left as it is, name another with --log")
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise LogError(f"{path} is a database of some other program: left as it is, name another with --log")


def _connected(path: Path) -> sqlite3.Connection:
    """Open a connection for writing, set up."""
    connection = sqlite3.connect(f"{_address(path)}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None)
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _snapshot(path: Path) -> sqlite3.Connection:
    """Return a copy of the log in memory, of one moment.

    A log at rest is read as a plain file, so that nothing is written beside it, not even a lock; one with a write-ahead
    file, in use or left by a stopped program, through SQLite's locks.
    """
    ahead = path.with_name(path.name + "-wal")
    for _ in range(TRIES):
        if ahead.exists() and ahead.stat().st_size > 0:
            break
        before = path.stat()
        copy = _copied(f"{_address(path)}?immutable=1")
        after = path.stat()
        same = (before.st_ino, before.st_size, before.st_mtime_ns) == (after.st_ino, after.st_size, after.st_mtime_ns)
        if same and not (ahead.exists() and ahead.stat().st_size > 0):
            return copy
        copy.close()
    return _copied(f"{_address(path)}?mode=ro")


def _address(path: Path) -> str:
    return f"file:{quote(str(path.resolve()))}"


def _copied(address: str) -> sqlite3.Connection:
    """Copy a database into memory, for reading only."""
    copy = sqlite3.connect(":memory:", isolation_level=None)
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=BUSY_S, isolation_level=None)) as source:
            source.execute("PRAGMA query_only = ON")
            source.backup(copy)
        copy.execute("PRAGMA query_only = ON")
    except BaseException:
        copy.close()
        raise
    return copy


def _brought_up(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration]) -> None:
    """Apply the migrations an older log lacks, after copying it."""
    now = schema.version(connection)
    if now >= migrations[-1].number:
        return
    with written(copy_path(path, now)) as temporary, closing(sqlite3.connect(temporary)) as copy:
        connection.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
    schema.migrate(connection, utc_now(), migrations)


def copy_path(path: Path, version: int) -> Path:
    """Where the copy of a log of some version goes before it is brought up."""
    return path.with_name(f"{path.stem}.version-{version}{path.suffix}")


def _check_version(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration], *, older: bool) -> None:
    """Refuse a log newer than this program knows, and an older one unless it is to be brought up."""
    found, known = schema.version(connection), migrations[-1].number
    if found > known:
        raise LogError(
            f"the log {path} is of version {found}, newer than this drumtune knows ({known}): left as it is, bring "
            "drumtune up to date"
        )
    if found < known and not older:
        raise LogError(
            f"the log {path} is of version {found}, older than this drumtune ({known}): any command that writes "
            "brings it up to date and keeps a copy, such as drumtune log update"
        )


def _check_pages(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a damaged file before anything is done with it."""
    found = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found is None or found[0] != "ok":
        raise LogError(f"the log {path} is damaged: nothing was changed, put a copy back or name another with --log")
