"""Tables of the log, as numbered migrations that only move forward, and how they are applied.

A migration runs in one transaction together with its record and the file's new version. Before the first one is applied
to a file that already holds something, the file is copied. Described for readers in docs/data.md.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import drumtune

APPLICATION_ID = 0x44725475
"""Marks the file as a log of drumtune ("DrTu"), SQLite's application_id."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the tables: its number from 1, a name, and its statements."""

    number: int
    name: str
    statements: str


FIRST = """
CREATE TABLE migrations (
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    applied_utc TEXT NOT NULL,
    program_version TEXT NOT NULL
);
CREATE TABLE drums (
    drum_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE CHECK (name <> ''),
    created_utc TEXT NOT NULL
);
CREATE TABLE stands (
    stand_id INTEGER PRIMARY KEY,
    drum_id INTEGER NOT NULL REFERENCES drums,
    since_utc TEXT NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('tom', 'snare', 'bass')),
    diameter_in REAL NOT NULL CHECK (diameter_in > 0),
    depth_in REAL NOT NULL CHECK (depth_in > 0),
    rods INTEGER NOT NULL CHECK (rods BETWEEN 4 AND 16),
    hoop TEXT NOT NULL CHECK (hoop IN ('flanged', 'cast', 'wood')),
    tap_distance_mm REAL NOT NULL CHECK (tap_distance_mm > 0),
    note_hz REAL,
    top_film_mil REAL,
    top_surface_density_kg_m2 REAL NOT NULL,
    top_rod_hz REAL,
    bottom_film_mil REAL,
    bottom_surface_density_kg_m2 REAL,
    bottom_rod_hz REAL,
    bottom_offset_semitones REAL
);
CREATE INDEX stands_of_drum ON stands (drum_id);
CREATE TABLE takes (
    take_id INTEGER PRIMARY KEY AUTOINCREMENT,
    stand_id INTEGER NOT NULL REFERENCES stands,
    logged_utc TEXT NOT NULL,
    duration_s REAL NOT NULL,
    sample_rate_hz REAL NOT NULL,
    temperature_c REAL,
    humidity_percent REAL,
    note TEXT CHECK (note <> ''),
    undone_utc TEXT
);
CREATE INDEX takes_of_stand ON takes (stand_id);
CREATE TABLE take_files (
    take_id INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    place INTEGER NOT NULL,
    file_name TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    PRIMARY KEY (take_id, place)
);
CREATE INDEX files_by_hash ON take_files (sha256);
CREATE TABLE readings (
    take_id INTEGER PRIMARY KEY REFERENCES takes ON DELETE CASCADE,
    tension_n_m REAL NOT NULL CHECK (tension_n_m > 0),
    hold REAL NOT NULL,
    spread_cents REAL NOT NULL,
    spread_sd_cents REAL NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('even', 'uneven', 'unsure')),
    quality REAL NOT NULL,
    program_version TEXT NOT NULL
);
CREATE TABLE reading_rods (
    take_id INTEGER NOT NULL REFERENCES readings ON DELETE CASCADE,
    rod INTEGER NOT NULL,
    pull_cents REAL NOT NULL,
    pull_sd_cents REAL NOT NULL,
    heard_hz REAL,
    taps_used INTEGER NOT NULL,
    PRIMARY KEY (take_id, rod)
);
CREATE TABLE reading_covariances (
    take_id INTEGER NOT NULL REFERENCES readings ON DELETE CASCADE,
    rod INTEGER NOT NULL,
    other_rod INTEGER NOT NULL CHECK (other_rod >= rod),
    covariance_cents2 REAL NOT NULL,
    PRIMARY KEY (take_id, rod, other_rod)
);
CREATE TABLE reading_partials (
    take_id INTEGER NOT NULL REFERENCES readings ON DELETE CASCADE,
    rod INTEGER NOT NULL,
    place INTEGER NOT NULL,
    frequency_hz REAL,
    level_db REAL,
    PRIMARY KEY (take_id, rod, place)
);
CREATE TABLE reading_modes (
    take_id INTEGER NOT NULL REFERENCES readings ON DELETE CASCADE,
    place INTEGER NOT NULL,
    m INTEGER NOT NULL,
    n INTEGER NOT NULL,
    frequency_hz REAL,
    frequency_sd_hz REAL,
    decay_s REAL,
    PRIMARY KEY (take_id, place)
);
CREATE TABLE reading_fields (
    take_id INTEGER NOT NULL REFERENCES readings ON DELETE CASCADE,
    place INTEGER NOT NULL,
    tension_share REAL NOT NULL,
    PRIMARY KEY (take_id, place)
);
CREATE TABLE plans (
    take_id INTEGER PRIMARY KEY REFERENCES takes ON DELETE CASCADE,
    aim TEXT NOT NULL CHECK (aim <> ''),
    expected_spread_cents REAL NOT NULL,
    expected_spread_sd_cents REAL NOT NULL,
    pitch_change_cents REAL NOT NULL
);
CREATE TABLE moves (
    take_id INTEGER NOT NULL REFERENCES plans ON DELETE CASCADE,
    place INTEGER NOT NULL,
    rod INTEGER NOT NULL,
    action TEXT NOT NULL CHECK (action IN ('raise', 'lower')),
    turns REAL NOT NULL CHECK (turns > 0),
    PRIMARY KEY (take_id, place)
);
CREATE TABLE sentences (
    take_id INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('reason', 'warning', 'note', 'caution')),
    place INTEGER NOT NULL,
    sentence TEXT NOT NULL,
    PRIMARY KEY (take_id, kind, place)
);
CREATE TABLE turnings (
    take_id INTEGER PRIMARY KEY REFERENCES takes ON DELETE CASCADE,
    source TEXT NOT NULL CHECK (source IN ('said', 'assumed', 'unknown')),
    since_take_id INTEGER REFERENCES takes ON DELETE SET NULL
);
CREATE TABLE turned_rods (
    take_id INTEGER NOT NULL REFERENCES turnings ON DELETE CASCADE,
    rod INTEGER NOT NULL,
    turns REAL NOT NULL CHECK (turns <> 0),
    PRIMARY KEY (take_id, rod)
);
CREATE TABLE settings (
    setting_id INTEGER PRIMARY KEY,
    drum_id INTEGER NOT NULL REFERENCES drums,
    name TEXT NOT NULL CHECK (name <> ''),
    take_id INTEGER NOT NULL REFERENCES takes,
    saved_utc TEXT NOT NULL,
    UNIQUE (drum_id, name)
);
CREATE INDEX settings_of_take ON settings (take_id);
"""
TILTS = """
CREATE TABLE reading_tilts (
    take_id INTEGER PRIMARY KEY REFERENCES readings ON DELETE CASCADE,
    cos_cents REAL NOT NULL,
    sin_cents REAL NOT NULL,
    cos_variance_cents2 REAL NOT NULL CHECK (cos_variance_cents2 > 0),
    sin_variance_cents2 REAL NOT NULL CHECK (sin_variance_cents2 > 0),
    covariance_cents2 REAL NOT NULL
)
"""
MIGRATIONS = (
    Migration(1, "drums, takes, readings, plans, turns, settings", FIRST),
    Migration(2, "one-sided tension as a take alone has it", TILTS),
)
"""All migrations in order. One that was ever released is never changed; a new one is added below."""
TABLES = (
    "migrations", "drums", "stands", "takes", "take_files", "readings", "reading_rods", "reading_covariances",
    "reading_partials", "reading_modes", "reading_fields", "reading_tilts", "plans", "moves", "sentences", "turnings",
    "turned_rods", "settings",
)  # fmt: skip
"""All tables, each after those it refers to."""


def version(connection: sqlite3.Connection) -> int:
    """Number of the last migration a file has."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection, now: str, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Apply the migrations a file lacks, each in one transaction with its record; return how many."""
    done = 0
    for migration in migrations:
        done += _apply(connection, migration, now)
    return done


def _apply(connection: sqlite3.Connection, migration: Migration, now: str) -> bool:
    """Apply one migration unless the file has it; whether it was applied."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        wanted = version(connection) < migration.number
        if wanted:
            for statement in migration.statements.split(";"):
                connection.execute(statement)
            record = (migration.number, migration.name, now, drumtune.__version__)
            connection.execute("INSERT INTO migrations VALUES (?, ?, ?, ?)", record)
            connection.execute(f"PRAGMA user_version = {migration.number}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # SQLite has not ended it itself, as it may on a full disk
            connection.execute("ROLLBACK")
        raise
    return wanted
