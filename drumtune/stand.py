"""Stands as text: one drum, or a kit of them, in TOML.

A drum's table holds, with units in the names:

    name = "floor"            # its name in the kit
    role = "tom"              # tom, snare or bass
    diameter_in = 16          # head, inches
    depth_in = 14             # shell, inches
    rods = 8
    hoop = "flanged"          # flanged, cast or wood
    tap_distance_mm = 45
    note = "A2"               # only where the drum is to stay on that note
    top = { film_mil = 10 }
    bottom = { film_mil = 7.5, offset_semitones = 3 }

`top` and `bottom` take film_mil or surface_density_kg_m2 or both, and rod_hz, the pitch heard now near a rod with the
other head muted; `bottom` also offset_semitones, how far its rods' pitch is to stand over the top's. Without `bottom`
the shell is open below. A stand file holds one such table, [drum]; a kit file several, [[drum]], and may name the kit:
[kit] name = "...". This module knows text only; files are read by `drumtune.kitfile`.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from drumtune.drum import INCH, MIL, PET_DENSITY, Drum, Head, HoopKind
from drumtune.errors import StandError
from drumtune.notes import note_frequency

Role = Literal["tom", "snare", "bass"]
ROLES = ("tom", "snare", "bass")
LARGEST_KIT = 16
"""More drums than this in one file are taken for a mistake."""
_DRUM_KEYS = (
    "name", "role", "diameter_in", "depth_in", "rods", "hoop", "tap_distance_mm", "note", "top", "bottom",
)  # fmt: skip
_HEAD_KEYS = ("film_mil", "surface_density_kg_m2", "rod_hz")


@dataclass(frozen=True, slots=True)
class Stand:
    """One drum of a kit as the player describes it, in SI units.

    Parameters
    ----------
    name, role
        Its name, and whether it is a tom, the snare or the bass drum.
    drum
        Top head, rods, hoop, tap distance.
    depth
        Shell depth, m.
    bottom
        Bottom head, or None for a shell open below.
    top_rod, bottom_rod
        Pitch heard now near the rods with the other head muted, Hz, where known.
    offset
        How far the bottom's rod pitch is to stand over the top's, semitones, where the player has decided it.
    note
        Frequency of the note the drum must stay on, Hz, if any.
    """

    name: str
    role: Role
    drum: Drum
    depth: float
    bottom: Head | None = None
    top_rod: float | None = None
    bottom_rod: float | None = None
    offset: float | None = None
    note: float | None = None


@dataclass(frozen=True, slots=True)
class Kit:
    """Drums that are played together, in the order of the file."""

    name: str
    stands: tuple[Stand, ...]


def parse_stand(text: str) -> Stand:
    """Read the one drum of a stand file's text.

    Raises
    ------
    StandError
        If the text is no TOML, holds no [drum] table, or describes no drum.
    """
    document = _load(text)
    _only(document, ("drum",), "a stand file")
    if not isinstance(document.get("drum"), dict):
        raise StandError("a stand file holds one drum under [drum]: for several use [[drum]] and drumtune kit")
    return _stand(document["drum"], "the drum")


def parse_kit(text: str) -> Kit:
    """Read the drums of a kit file's text; a stand file is a kit of one.

    Raises
    ------
    StandError
        If the text is no TOML, holds no drum or too many, names two drums alike, or describes no drum.
    """
    document = _load(text)
    _only(document, ("kit", "drum"), "a kit file")
    head = document.get("kit", {})
    if not isinstance(head, dict):
        raise StandError("[kit] is a table with a name")
    _only(head, ("name",), "[kit]")
    tables = document.get("drum", [])
    tables = [tables] if isinstance(tables, dict) else tables
    if not isinstance(tables, list) or not 1 <= len(tables) <= LARGEST_KIT:
        raise StandError(f"a kit file holds 1 to {LARGEST_KIT} drums, each under [[drum]]")
    stands = tuple(_stand(table, f"drum {place}") for place, table in enumerate(tables, start=1))
    names = [stand.name for stand in stands]
    for name in names:
        if names.count(name) > 1:
            raise StandError(f"two drums are called {name!r}: give each its own name")
    return Kit(_text(head, "name", "[kit]") if "name" in head else "kit", stands)


def dump_stand(stand: Stand) -> str:
    """Write a stand as the text of a stand file; `parse_stand` reads the same stand back (to 1 part in 10^9)."""
    lines = [
        "[drum]",
        f"name = {json.dumps(stand.name, ensure_ascii=False)}",
        f'role = "{stand.role}"',
        f"diameter_in = {_number(2.0 * stand.drum.head.radius / INCH)}",
        f"depth_in = {_number(stand.depth / INCH)}",
        f"rods = {stand.drum.rods}",
        f'hoop = "{stand.drum.hoop}"',
        f"tap_distance_mm = {_number(1000.0 * stand.drum.tap_distance)}",
    ]
    if stand.note is not None:
        lines.append(f"note = {_number(stand.note)}")
    lines.append(f"top = {_head_text(stand.drum.head, stand.top_rod, None)}")
    if stand.bottom is not None:
        lines.append(f"bottom = {_head_text(stand.bottom, stand.bottom_rod, stand.offset)}")
    return "\n".join(lines) + "\n"


def _head_text(head: Head, rod: float | None, offset: float | None) -> str:
    fields = {"film_mil": head.thickness / MIL} if head.thickness else {}
    if not head.thickness or not math.isclose(head.surface_density, PET_DENSITY * head.thickness, rel_tol=1e-12):
        fields["surface_density_kg_m2"] = head.surface_density
    fields |= {} if rod is None else {"rod_hz": rod}
    fields |= {} if offset is None else {"offset_semitones": offset}
    return "{ " + ", ".join(f"{key} = {_number(value)}" for key, value in fields.items()) + " }"


def _number(value: float) -> str:
    return f"{value:.12g}" if value != round(value) else f"{round(value)}"


def _load(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as cause:  # a number of thousands of digits is a plain ValueError
        raise StandError(f"this is no TOML: {cause!s:.200}") from cause


def _stand(table: object, what: str) -> Stand:
    if not isinstance(table, dict):
        raise StandError(f"{what} is not a table: write [[drum]] before each drum")
    what = _text(table, "name", what)
    _only(table, _DRUM_KEYS, what)
    role = table.get("role", "tom")
    if role not in ROLES:
        raise StandError(f"{what}: role is tom, snare or bass, got {_met(role)}")
    radius = 0.5 * INCH * _figure(table, "diameter_in", what, (5.0, 40.0))
    top, top_rod, _ = _head(table, "top", what, radius)
    bottom, bottom_rod, offset = _head(table, "bottom", what, radius) if "bottom" in table else (None, None, None)
    try:
        drum = Drum(top, _rods(table, what), _hoop(table, what), _tap_distance(table, what))
    except StandError as cause:
        raise StandError(f"{what}: {cause}") from cause
    depth = INCH * _figure(table, "depth_in", what, (1.0, 40.0))
    return Stand(what, role, drum, depth, bottom, top_rod, bottom_rod, offset, _note(table, what))


def _head(table: Mapping[str, Any], key: str, what: str, radius: float) -> tuple[Head, float | None, float | None]:
    """Head, its present rod pitch and its offset, from one inline table."""
    where = f"{what}, {key}"
    head = table.get(key)
    if not isinstance(head, dict):
        raise StandError(f"{where}: describe the head, such as {key} = {{ film_mil = 10 }}")
    _only(head, (*_HEAD_KEYS, "offset_semitones") if key == "bottom" else _HEAD_KEYS, where)
    if "film_mil" not in head and "surface_density_kg_m2" not in head:
        raise StandError(f"{where}: give film_mil or surface_density_kg_m2")
    mil = _figure(head, "film_mil", where, (0.5, 40.0)) if "film_mil" in head else 0.0
    weight = PET_DENSITY * mil * MIL
    if "surface_density_kg_m2" in head:
        weight = _figure(head, "surface_density_kg_m2", where, (0.02, 3.0))
    rod = _figure(head, "rod_hz", where, (20.0, 2000.0)) if "rod_hz" in head else None
    offset = _figure(head, "offset_semitones", where, (-24.0, 24.0)) if "offset_semitones" in head else None
    return Head(radius, weight, mil * MIL), rod, offset


def _rods(table: Mapping[str, Any], what: str) -> int:
    rods = table.get("rods")
    if not isinstance(rods, int) or isinstance(rods, bool) or abs(rods) > 10**6:
        raise StandError(f"{what}: rods is a whole number from 4 to 16, got {_met(rods)}")
    return rods


def _hoop(table: Mapping[str, Any], what: str) -> HoopKind:
    hoop = table.get("hoop", "flanged")
    if hoop not in ("flanged", "cast", "wood"):
        raise StandError(f"{what}: hoop is flanged, cast or wood, got {_met(hoop)}")
    return hoop  # type: ignore[no-any-return]


def _tap_distance(table: Mapping[str, Any], what: str) -> float:
    if "tap_distance_mm" not in table:
        return 0.045
    return _figure(table, "tap_distance_mm", what, (5.0, 300.0)) / 1000.0


def _note(table: Mapping[str, Any], what: str) -> float | None:
    """Frequency of a note given by name or in Hz."""
    if "note" not in table:
        return None
    if isinstance(table["note"], str):
        try:
            return note_frequency(table["note"])
        except ValueError as cause:
            raise StandError(f"{what}: {cause}") from cause
    return _figure(table, "note", what, (20.0, 2000.0))


def _text(table: Mapping[str, Any], key: str, what: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip() or len(value) > 60 or not value.isprintable():
        raise StandError(f"{what}: {key} is a word or two in quotes, got {_met(value)}")
    return value.strip()


def _figure(table: Mapping[str, Any], key: str, what: str, limits: tuple[float, float]) -> float:
    value = table.get(key)
    if value is None:
        raise StandError(f"{what}: {key} is missing")
    good = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not good or not limits[0] <= value <= limits[1]:
        raise StandError(f"{what}: {key} lies between {limits[0]:g} and {limits[1]:g}, got {_met(value)}")
    return float(value)


def _met(value: object) -> str:
    """A value that was met, for a message: short, whatever it is."""
    try:
        return f"{value!r:.60}"
    except (ValueError, RecursionError):  # a whole number of thousands of digits
        return "something very long"


def _only(table: Mapping[str, Any], known: tuple[str, ...], what: str) -> None:
    for key in table:
        if key not in known:
            raise StandError(f"{what}: {key!r:.60} is not known here; known are {', '.join(known)}")
