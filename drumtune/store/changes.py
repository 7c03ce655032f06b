"""Everything that changes a log. Each function is one transaction, unless it says that it wants to be inside one."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence

import numpy as np

import drumtune
from drumtune.advice.reading import Reading
from drumtune.advice.turns import Plan
from drumtune.drum import INCH, MIL, Head
from drumtune.stand import Stand
from drumtune.store import queries
from drumtune.store.file import LogError, transaction, utc_now
from drumtune.store.records import Take, Turning


def add_stand(connection: sqlite3.Connection, stand: Stand, *, replace: bool = False) -> int:
    """Keep a drum's description; return its number.

    Raises
    ------
    LogError
        If the log has a drum of that name and `replace` is not given.
    """
    with transaction(connection):
        found = connection.execute("SELECT drum_id FROM drums WHERE name = ?", (stand.name,)).fetchone()
        if found is not None and not replace:
            raise LogError(
                f"the log has a drum called {stand.name!r}: choose another name, or give --replace where the drum has "
                "changed (its rounds are kept, learning begins anew)"
            )
        now = utc_now()
        if found is None:
            cursor = connection.execute("INSERT INTO drums (name, created_utc) VALUES (?, ?)", (stand.name, now))
            drum_id = cursor.lastrowid
        else:
            drum_id = found[0]
        return _insert(connection, "stands", {"drum_id": drum_id, "since_utc": now, **stand_row(stand)})


def stand_row(stand: Stand) -> dict[str, float | int | str | None]:
    """Columns of a stand, in the units of their names."""
    bottom = stand.bottom
    return {
        "role": stand.role,
        "diameter_in": _short(2.0 * stand.drum.head.radius / INCH),
        "depth_in": _short(stand.depth / INCH),
        "rods": stand.drum.rods,
        "hoop": stand.drum.hoop,
        "tap_distance_mm": _short(1000.0 * stand.drum.tap_distance),
        "note_hz": stand.note,
        "top_film_mil": _mil(stand.drum.head),
        "top_surface_density_kg_m2": stand.drum.head.surface_density,
        "top_rod_hz": stand.top_rod,
        "bottom_film_mil": None if bottom is None else _mil(bottom),
        "bottom_surface_density_kg_m2": None if bottom is None else bottom.surface_density,
        "bottom_rod_hz": stand.bottom_rod,
        "bottom_offset_semitones": stand.offset,
    }


def _short(value: float) -> float:
    """Round off what changing the unit added, 12 figures."""
    return float(f"{value:.12g}")


def _mil(head: Head) -> float | None:
    return _short(head.thickness / MIL) if head.thickness else None


def add_entry(
    connection: sqlite3.Connection, stand_id: int, take: Take, turning: Turning, found: tuple[Reading, Plan, str]
) -> int:
    """Keep a take with its reading, plan and aim, and what was turned before it; return its number.

    Wants to be inside a transaction, so that what it rests on was read in the same.
    """
    number = _insert(
        connection,
        "takes",
        {
            "stand_id": stand_id,
            "logged_utc": utc_now(),
            "duration_s": take.duration_s,
            "sample_rate_hz": take.sample_rate_hz,
            "temperature_c": take.temperature_c,
            "humidity_percent": take.humidity_percent,
            "note": take.note or None,
        },
    )
    reading, plan, aim = found
    files = [(number, i, file.name, file.size_bytes, file.sha256) for i, file in enumerate(take.files)]
    _fill(connection, "take_files", files)
    _add_reading(connection, number, reading)
    _add_plan(connection, number, plan, aim)
    _fill(connection, "turnings", [(number, turning.source, turning.since)])
    rods = np.flatnonzero(turning.turned)
    _fill(connection, "turned_rods", [(number, int(rod) + 1, float(turning.turned[rod])) for rod in rods])
    return number


def _add_reading(connection: sqlite3.Connection, number: int, reading: Reading) -> None:
    """Rows of a reading."""
    head = (reading.tension, reading.hold, reading.spread_cents, reading.spread_sd_cents, reading.verdict)
    _fill(connection, "readings", [(number, *head, reading.quality, drumtune.__version__)])
    _fill(
        connection,
        "reading_rods",
        [
            (number, rod.rod, rod.pull_cents, rod.pull_sd_cents, _known(rod.heard_hz), rod.taps_used)
            for rod in reading.rods
        ],
    )
    lines = [
        (number, rod.rod, place, _known(frequency), _known(level))
        for rod in reading.rods
        for place, (frequency, level) in enumerate(rod.partials)
    ]
    _fill(connection, "reading_partials", lines)
    modes = [
        (number, i, mode.m, mode.n, *map(_known, (mode.frequency_hz, mode.frequency_sd_hz, mode.decay_s)))
        for i, mode in enumerate(reading.modes)
    ]
    _fill(connection, "reading_modes", modes)
    upper = zip(*np.triu_indices(reading.drum.rods), strict=True)
    pairs = [(number, int(i) + 1, int(j) + 1, float(reading.covariance[i, j])) for i, j in upper]
    _fill(connection, "reading_covariances", pairs)
    _fill(connection, "reading_fields", [(number, i, float(share)) for i, share in enumerate(reading.field)])
    _say(connection, number, "reason", reading.reasons)
    _say(connection, number, "warning", reading.warnings)
    if reading.tilt is not None:
        (cos, sin), ((cos2, both), (_, sin2)) = reading.tilt.cents.tolist(), reading.tilt.covariance.tolist()
        _fill(connection, "reading_tilts", [(number, cos, sin, cos2, sin2, both)])


def _add_plan(connection: sqlite3.Connection, number: int, plan: Plan, aim: str) -> None:
    """Rows of a plan."""
    expected = (plan.expected_spread_cents, plan.expected_spread_sd_cents, plan.pitch_change_cents)
    _fill(connection, "plans", [(number, aim, *expected)])
    _fill(connection, "moves", [(number, move.order, move.rod, move.action, move.turns) for move in plan.moves])
    _say(connection, number, "note", plan.notes)
    _say(connection, number, "caution", plan.cautions)


def _say(connection: sqlite3.Connection, number: int, kind: str, sentences: Sequence[str]) -> None:
    _fill(connection, "sentences", [(number, kind, place, sentence) for place, sentence in enumerate(sentences)])


def save_setting(connection: sqlite3.Connection, drum: str, name: str, number: int) -> None:
    """Save an entry of a drum as a setting under a name.

    Raises
    ------
    LogError
        If the drum has a setting of that name, or the entry is not one of its own.
    """
    with transaction(connection):
        entry = queries.entry(connection, number)
        if entry.drum != drum:
            raise LogError(f"take {number} is of {entry.drum!r}, not of {drum!r}: see drumtune log list")
        if entry.undone:
            raise LogError(f"take {number} was undone: bring it back with drumtune log redo before saving it")
        taken = connection.execute(
            "SELECT 1 FROM settings JOIN drums USING (drum_id) WHERE settings.name = ? AND drums.name = ?", (name, drum)
        ).fetchone()
        if taken:
            raise LogError(f"{drum!r} has a setting {name!r}: choose another name, or delete that one first")
        connection.execute(
            "INSERT INTO settings (drum_id, name, take_id, saved_utc) "
            "SELECT drum_id, ?, ?, ? FROM drums WHERE name = ?",
            (name, number, utc_now(), drum),
        )


def undo(connection: sqlite3.Connection, drum: str | None = None) -> int:
    """Set the last entry (of a drum) aside; return its number. It is not lost: `redo` brings it back.

    Raises
    ------
    LogError
        If there is none, or a setting rests on it.
    """
    with transaction(connection):
        numbers = [number for number, _ in queries.numbers(connection, drum)]
        if not numbers:
            raise LogError("there is no take to undo")
        _check_free(connection, numbers[-1])
        connection.execute("UPDATE takes SET undone_utc = ? WHERE take_id = ?", (utc_now(), numbers[-1]))
        return numbers[-1]


def redo(connection: sqlite3.Connection, drum: str | None = None) -> int:
    """Bring the entry undone last back; return its number.

    Raises
    ------
    LogError
        If none was undone.
    """
    with transaction(connection):
        undone = [(when, -number) for number, when in queries.numbers(connection, drum, undone=True) if when]
        if not undone:
            raise LogError("no take was undone")
        number = -max(undone)[1]
        connection.execute("UPDATE takes SET undone_utc = NULL WHERE take_id = ?", (number,))
        return number


def delete(connection: sqlite3.Connection, numbers: Sequence[int]) -> None:
    """Delete entries for good, all or none.

    Raises
    ------
    LogError
        If one does not exist, or a setting rests on it.
    """
    with transaction(connection):
        for number in numbers:
            queries.drum_of(connection, number)
            _check_free(connection, number)
            connection.execute("DELETE FROM takes WHERE take_id = ?", (number,))


def delete_setting(connection: sqlite3.Connection, drum: str, name: str) -> None:
    """Delete a saved setting; its entry stays.

    Raises
    ------
    LogError
        If there is none of that name.
    """
    with transaction(connection):
        queries.setting(connection, drum, name)
        connection.execute(
            "DELETE FROM settings WHERE name = ? AND drum_id = (SELECT drum_id FROM drums WHERE name = ?)", (name, drum)
        )


def _check_free(connection: sqlite3.Connection, number: int) -> None:
    """Refuse to take away what a setting rests on."""
    found = connection.execute("SELECT name FROM settings WHERE take_id = ?", (number,)).fetchone()
    if found:
        raise LogError(
            f"the setting {found[0]!r} rests on take {number}: delete that first (drumtune log delete --setting)"
        )


def _known(value: float) -> float | None:
    """Numbers that are none go into the log as NULL."""
    return float(value) if math.isfinite(value) else None


def _insert(connection: sqlite3.Connection, table: str, row: dict[str, float | int | str | None]) -> int:
    """Insert one row by column names; return its number."""
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    cursor = connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _fill(connection: sqlite3.Connection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Insert whole rows."""
    if rows:
        connection.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(rows[0]))})", rows)
