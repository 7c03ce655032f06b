"""Everything that is asked of a log. Nothing here writes."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.reading import ModeReading, Reading, RodReading, Tilt
from drumtune.advice.turns import Move, Plan
from drumtune.drum import INCH, MIL, Drum, Head
from drumtune.errors import StandError
from drumtune.stand import Stand
from drumtune.store import sense
from drumtune.store.file import LogError
from drumtune.store.records import Entry, KeptSetting, KeptStand, Take, TakeFile, Turning

Row = dict[str, object]
NONSENSE = (IndexError, TypeError, ValueError, OverflowError, StandError)
"""What values that no drum or take has fail with."""


def _rows(connection: sqlite3.Connection, question: str, *values: object) -> list[dict[str, object]]:
    """Rows of an answer by column names."""
    cursor = connection.execute(question, values)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def stands(connection: sqlite3.Connection) -> tuple[KeptStand, ...]:
    """Present description of every drum, by name.

    Raises
    ------
    LogError
        If one of them is none that a drum could have.
    """
    rows = _rows(
        connection,
        "SELECT name, stands.* FROM stands JOIN drums USING (drum_id) WHERE stand_id IN "
        "(SELECT max(stand_id) FROM stands GROUP BY drum_id) ORDER BY name",
    )
    try:
        return tuple(_kept_stand(row) for row in rows)
    except NONSENSE as cause:
        raise LogError(f"a drum of the log makes no sense ({cause!s:.100}): put a copy of the log back") from cause


def stand(connection: sqlite3.Connection, name: str) -> KeptStand:
    """Present description of a drum.

    Raises
    ------
    LogError
        If the log has no drum of that name; the message names those it has.
    """
    known = stands(connection)
    for kept in known:
        if kept.stand.name == name:
            return kept
    names = ", ".join(repr(kept.stand.name) for kept in known) or "none"
    raise LogError(f"the log has no drum called {name!r} (it has {names}): describe it with drumtune stand new")


def _kept_stand(row: Row) -> KeptStand:
    """Stand of a row of `stands` with the drum's name."""
    get = _floats(row)
    radius = 0.5 * INCH * get("diameter_in")
    drum = Drum(_head(row, "top", radius), _int(row["rods"]), row["hoop"], get("tap_distance_mm") / 1000.0)  # type: ignore[arg-type]
    bottom = None if row["bottom_surface_density_kg_m2"] is None else _head(row, "bottom", radius)
    stand = Stand(
        name=str(row["name"]),
        role=row["role"],  # type: ignore[arg-type]
        drum=drum,
        depth=INCH * get("depth_in"),
        bottom=bottom,
        top_rod=_maybe(row["top_rod_hz"]),
        bottom_rod=_maybe(row["bottom_rod_hz"]),
        offset=_maybe(row["bottom_offset_semitones"]),
        note=_maybe(row["note_hz"]),
    )
    sense.check_stand(stand)
    return KeptStand(_int(row["stand_id"]), str(row["since_utc"]), stand)


def _head(row: Row, which: str, radius: float) -> Head:
    mil = _maybe(row[f"{which}_film_mil"]) or 0.0
    return Head(radius, float(row[f"{which}_surface_density_kg_m2"]), mil * MIL)  # type: ignore[arg-type]


def numbers(
    connection: sqlite3.Connection, drum: str | None = None, *, undone: bool = False, stand_id: int | None = None
) -> list[tuple[int, str | None]]:
    """Numbers of entries, oldest first, with the time they were undone; of one drum or stand where asked."""
    rows = connection.execute(
        "SELECT take_id, undone_utc FROM takes JOIN stands USING (stand_id) JOIN drums USING (drum_id) "
        "WHERE (?1 IS NULL OR drums.name = ?1) AND (?2 OR undone_utc IS NULL) AND (?3 IS NULL OR stand_id = ?3) "
        "ORDER BY take_id",
        (drum, undone, stand_id),
    ).fetchall()
    return [(int(number), when) for number, when in rows]


def entries(
    connection: sqlite3.Connection, drum: str | None = None, *, undone: bool = False, stand_id: int | None = None
) -> tuple[Entry, ...]:
    """Entries in the order they were made."""
    return tuple(entry(connection, number) for number, _ in numbers(connection, drum, undone=undone, stand_id=stand_id))


def drum_of(connection: sqlite3.Connection, number: int) -> str:
    """Name of the drum an entry is of.

    Raises
    ------
    LogError
        If there is no such entry.
    """
    found = connection.execute(
        "SELECT drums.name FROM takes JOIN stands USING (stand_id) JOIN drums USING (drum_id) WHERE take_id = ?",
        (number,),
    ).fetchone()
    if found is None:
        raise LogError(f"the log has no take {number}: see drumtune log list")
    return str(found[0])


def entry(connection: sqlite3.Connection, number: int) -> Entry:
    """One entry whole.

    Raises
    ------
    LogError
        If there is no such entry, or it holds what no take could have made.
    """
    name = drum_of(connection, number)
    try:
        found = _entry(connection, number, name)
        sense.check(found)
    except NONSENSE as cause:
        raise LogError(
            f"take {number} of the log makes no sense ({cause!s:.100}): put a copy of the log back, or delete the take "
            f"(drumtune log delete {number} --yes)"
        ) from cause
    return found


def _entry(connection: sqlite3.Connection, number: int, name: str) -> Entry:
    row = _rows(connection, "SELECT * FROM takes WHERE take_id = ?", number)[0]
    stand_row = _rows(connection, "SELECT ? AS name, * FROM stands WHERE stand_id = ?", name, row["stand_id"])[0]
    drum = _kept_stand(stand_row).stand.drum
    plan_row = _rows(connection, "SELECT * FROM plans WHERE take_id = ?", number)[0]
    return Entry(
        number=number,
        drum=name,
        stand_id=_int(row["stand_id"]),
        logged_utc=str(row["logged_utc"]),
        take=_take(connection, number, row),
        turning=_turning(connection, number, drum.rods),
        reading=_reading(connection, number, drum),
        plan=_plan(connection, number, plan_row),
        aim=str(plan_row["aim"]),
        undone=row["undone_utc"] is not None,
    )


def _take(connection: sqlite3.Connection, number: int, row: Row) -> Take:
    files = _rows(connection, "SELECT * FROM take_files WHERE take_id = ? ORDER BY place", number)
    get = _floats(row)
    return Take(
        files=tuple(TakeFile(str(f["file_name"]), _int(f["size_bytes"]), str(f["sha256"])) for f in files),
        duration_s=get("duration_s"),
        sample_rate_hz=get("sample_rate_hz"),
        temperature_c=_maybe(row["temperature_c"]),
        humidity_percent=_maybe(row["humidity_percent"]),
        note=None if row["note"] is None else str(row["note"]),
    )


def _turning(connection: sqlite3.Connection, number: int, rods: int) -> Turning:
    question = "SELECT source, since_take_id FROM turnings WHERE take_id = ?"
    source, since = connection.execute(question, (number,)).fetchone()
    turned = np.zeros(rods)
    for rod, turns in connection.execute("SELECT rod, turns FROM turned_rods WHERE take_id = ?", (number,)):
        turned[_place(rod, rods)] = turns
    return Turning(source, turned, since)


def _reading(connection: sqlite3.Connection, number: int, drum: Drum) -> Reading:
    row = _rows(connection, "SELECT * FROM readings WHERE take_id = ?", number)[0]
    get = _floats(row)
    field = connection.execute("SELECT tension_share FROM reading_fields WHERE take_id = ? ORDER BY place", (number,))
    return Reading(
        drum=drum,
        rods=_rods(connection, number),
        modes=_modes(connection, number),
        covariance=_covariance(connection, number, drum.rods),
        tension=get("tension_n_m"),
        field=np.array([share for (share,) in field]),
        hold=get("hold"),
        spread_cents=get("spread_cents"),
        spread_sd_cents=get("spread_sd_cents"),
        verdict=row["verdict"],  # type: ignore[arg-type]
        reasons=_said(connection, number, "reason"),
        quality=get("quality"),
        warnings=_said(connection, number, "warning"),
        tilt=_tilt(connection, number),
    )


def _tilt(connection: sqlite3.Connection, number: int) -> Tilt | None:
    """One-sided tension as the take alone has it; takes read before that was kept have none."""
    rows = _rows(connection, "SELECT * FROM reading_tilts WHERE take_id = ?", number)
    if not rows:
        return None
    get = _floats(rows[0])
    both = get("covariance_cents2")
    covariance = np.array([[get("cos_variance_cents2"), both], [both, get("sin_variance_cents2")]])
    return Tilt(np.array([get("cos_cents"), get("sin_cents")]), covariance)


def _rods(connection: sqlite3.Connection, number: int) -> tuple[RodReading, ...]:
    lines: dict[int, list[tuple[float, float]]] = {}
    for rod, frequency, level in connection.execute(
        "SELECT rod, frequency_hz, level_db FROM reading_partials WHERE take_id = ? ORDER BY rod, place", (number,)
    ):
        lines.setdefault(rod, []).append((_or_nan(frequency), _or_nan(level)))
    rows = connection.execute(
        "SELECT rod, pull_cents, pull_sd_cents, heard_hz, taps_used FROM reading_rods WHERE take_id = ? ORDER BY rod",
        (number,),
    )
    return tuple(
        RodReading(rod, pull, sd, _or_nan(heard), taps, tuple(lines.get(rod, ())))
        for rod, pull, sd, heard, taps in rows
    )


def _modes(connection: sqlite3.Connection, number: int) -> tuple[ModeReading, ...]:
    rows = connection.execute(
        "SELECT m, n, frequency_hz, frequency_sd_hz, decay_s FROM reading_modes WHERE take_id = ? ORDER BY place",
        (number,),
    )
    return tuple(ModeReading(m, n, *map(_or_nan, rest)) for m, n, *rest in rows)


def _covariance(connection: sqlite3.Connection, number: int, rods: int) -> NDArray[np.float64]:
    table = np.zeros((rods, rods))
    for i, j, value in connection.execute(
        "SELECT rod, other_rod, covariance_cents2 FROM reading_covariances WHERE take_id = ?", (number,)
    ):
        first, second = _place(i, rods), _place(j, rods)
        table[first, second] = table[second, first] = value
    return table


def _place(rod: object, rods: int) -> int:
    """Index of a rod."""
    if not isinstance(rod, int) or not 1 <= rod <= rods:
        raise ValueError(f"there is no rod {rod!r:.20}")
    return rod - 1


def _plan(connection: sqlite3.Connection, number: int, row: Row) -> Plan:
    moves = connection.execute(
        "SELECT place, rod, action, turns FROM moves WHERE take_id = ? ORDER BY place", (number,)
    ).fetchall()
    get = _floats(row)
    return Plan(
        tuple(Move(*move) for move in moves),
        get("expected_spread_cents"),
        get("expected_spread_sd_cents"),
        get("pitch_change_cents"),
        _said(connection, number, "caution"),
        _said(connection, number, "note"),
        to_setting=str(row["aim"]) != "even",
    )


def _said(connection: sqlite3.Connection, number: int, kind: str) -> tuple[str, ...]:
    rows = connection.execute(
        "SELECT sentence FROM sentences WHERE take_id = ? AND kind = ? ORDER BY place", (number, kind)
    )
    return tuple(str(sentence) for (sentence,) in rows)


def entry_of_files(connection: sqlite3.Connection, stand_id: int, files: tuple[TakeFile, ...]) -> int | None:
    """Number of the entry of a stand that was read from the same recordings, or None."""
    wanted = [file.sha256 for file in files]
    for number, _ in numbers(connection, stand_id=stand_id):
        rows = connection.execute("SELECT sha256 FROM take_files WHERE take_id = ? ORDER BY place", (number,))
        if [sha for (sha,) in rows] == wanted:
            return number
    return None


def settings(connection: sqlite3.Connection, drum: str | None = None) -> tuple[KeptSetting, ...]:
    """Saved settings, oldest first."""
    rows = connection.execute(
        "SELECT settings.name, drums.name, take_id, saved_utc FROM settings JOIN drums USING (drum_id) "
        "WHERE ?1 IS NULL OR drums.name = ?1 ORDER BY setting_id",
        (drum,),
    )
    return tuple(KeptSetting(*row) for row in rows)


def setting(connection: sqlite3.Connection, drum: str, name: str) -> KeptSetting:
    """One saved setting.

    Raises
    ------
    LogError
        If there is none of that name; the message names those there are.
    """
    known = settings(connection, drum)
    for kept in known:
        if kept.name == name:
            return kept
    names = ", ".join(repr(kept.name) for kept in known) or "none"
    raise LogError(f"{drum!r} has no saved setting {name!r} (it has {names}): save one with drumtune log save")


def faults(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Everything wrong with a log's pages, indexes and references, one sentence each; empty when it is sound."""
    pages = [str(row[0]) for row in connection.execute("PRAGMA integrity_check") if row[0] != "ok"]
    strays = [f"row {row[1]} of {row[0]} refers to nothing in {row[2]}" for row in connection.execute(
        "PRAGMA foreign_key_check"
    )]  # fmt: skip
    lacking = [
        f"take {number} lacks its {table[:-1]}"
        for table in ("readings", "plans", "turnings")
        for (number,) in connection.execute(
            f"SELECT take_id FROM takes WHERE take_id NOT IN (SELECT take_id FROM {table})"
        )
    ]
    return (*pages, *strays, *lacking)


def _floats(row: Row) -> Callable[[str], float]:
    """A getter of numbers."""

    def get(name: str) -> float:
        return float(row[name])  # type: ignore[arg-type]

    return get


def _maybe(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _int(value: object) -> int:
    return int(value)  # type: ignore[call-overload,no-any-return]
