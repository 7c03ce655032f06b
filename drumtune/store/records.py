"""What the log holds, as values: entries (one take with all that belongs to it), settings, drums.

Arrays run over rods clockwise from the marked one; turns are signed, up is tighter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.reading import Reading
from drumtune.advice.turns import Plan
from drumtune.stand import Stand

Source = Literal["said", "assumed", "unknown"]


@dataclass(frozen=True, slots=True)
class TakeFile:
    """A recording's file: name without folder, size in bytes, SHA-256 in hexadecimal."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Turning:
    """What was turned before a take: signed turns per rod (N,), who says so, and since which entry.

    ``unknown`` has no turns. `since` is None for the first entry, and where that entry was deleted.
    """

    source: Source
    turned: NDArray[np.float64]
    since: int | None = None


@dataclass(frozen=True, slots=True)
class Take:
    """A recording and its circumstances: length in s, rate in Hz, °C, relative humidity in %, and a note, if given."""

    files: tuple[TakeFile, ...]
    duration_s: float
    sample_rate_hz: float
    temperature_c: float | None = None
    humidity_percent: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One take in the log with all that belongs to it. `aim` of the plan is "even" or the name of a setting."""

    number: int
    drum: str
    stand_id: int
    logged_utc: str
    take: Take
    turning: Turning
    reading: Reading
    plan: Plan
    aim: str
    undone: bool = False


@dataclass(frozen=True, slots=True)
class KeptStand:
    """A drum as described at some time; a new description of the same drum has a new number."""

    stand_id: int
    since_utc: str
    stand: Stand


@dataclass(frozen=True, slots=True)
class KeptSetting:
    """A saved setting: the entry it rests on."""

    name: str
    drum: str
    number: int
    saved_utc: str
