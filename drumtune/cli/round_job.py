"""A round with a drum of the log: what was turned, the reading, what is known now, the moves, and all of it kept."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from drumtune.cli import job

if TYPE_CHECKING:
    import sqlite3

    import numpy as np
    from numpy.typing import NDArray

    from drumtune.advice.reading import Reading
    from drumtune.advice.response import Learned
    from drumtune.advice.rounds import History, Kept, Setting
    from drumtune.advice.turns import Plan
    from drumtune.store.records import Entry, KeptStand, Take, TakeFile, Turning

SESSION = timedelta(hours=6)
"""Time after which a plan is not taken as carried out unless the player says so."""
MOST_TURNS = 6.0
"""More than this for one rod is taken for a slip of the pen."""
_TURN = re.compile(r"\s*(\d{1,2})\s*:\s*([+-]?)\s*(\d{1,3}/\d{1,3}|\d{1,2}(?:\.\d+)?|\.\d+)\s*")


@dataclass(frozen=True, slots=True)
class Asked:
    """What the player says beside the take: what was turned, a setting to go back to, circumstances."""

    turned: str | None = None
    done: bool = False
    back_to: str | None = None
    note: str | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Round:
    """What the log adds to a job: the entry's number, what was turned before, what is known, and the aim.

    `place` counts the readings of this description of the drum. `repeated` tells that the recording was in the log.
    """

    drum: str
    number: int
    place: int
    turning: Turning
    known: Learned
    aim: str
    repeated: bool = False


def do(
    paths: Sequence[Path],
    drum: KeptStand,
    log: Path,
    asked: Asked,
    *,
    taps_per_rod: int | None = None,
    channel: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[job.Job, Round]:
    """Read the take, learn, plan, and keep it all.

    Raises
    ------
    DrumtuneError
        If what was said about turns or the setting does not fit, the take does not allow an answer, or the log cannot
        be written. The log is changed only at the very end.
    """
    from drumtune.drum import Air

    check(asked, drum, log)
    air = None if asked.temperature_c is None else Air.at(asked.temperature_c)
    done = job.do(paths, drum.stand.drum, taps_per_rod=taps_per_rod, channel=channel, progress=progress, air=air)
    return keep(done, drum, log, asked)


def keep(done: job.Job, drum: KeptStand, log: Path, asked: Asked) -> tuple[job.Job, Round]:
    """Learn from a take that was read, plan, and keep it all. The log is changed only at the very end.

    Raises
    ------
    DrumtuneError
        If what was said about turns or the setting does not fit, or the log cannot be written.
    """
    from drumtune.store import changes, opened, queries
    from drumtune.store.file import transaction

    take = _take(done, asked)
    with opened(log, writing=True) as connection, transaction(connection):
        before = queries.entries(connection, stand_id=drum.stand_id)
        again = queries.entry_of_files(connection, drum.stand_id, take.files)
        if again is not None:
            before = tuple(entry for entry in before if entry.number <= again)
            entry, kept = before[-1], chain(before)
            turning = entry.turning
        else:
            turning = told(asked, before, drum.stand.drum.rods)
            kept = (*chain(before), _kept(done.reading, asked.temperature_c, turning))
        known, plan, aim = _planned(connection, drum, done.reading, kept, asked)
        if again is None:
            again_number = changes.add_entry(connection, drum.stand_id, take, turning, (done.reading, plan, aim))
        else:
            again_number = again
    result = Round(drum.stand.name, again_number, len(kept), turning, known, aim, again is not None)
    return replace(done, plan=plan), result


def check(asked: Asked, drum: KeptStand, log: Path) -> None:
    """Refuse what cannot be meant, before the take is read.

    Raises
    ------
    DrumtuneError
        If turns are badly written, turns and --done are both given, or there is no such setting.
    """
    from drumtune.errors import StandError
    from drumtune.store import opened, queries

    if asked.turned is not None and asked.done:
        raise StandError("give --done or --turned, not both")
    if asked.turned is not None:
        parse_turned(asked.turned, drum.stand.drum.rods)
    check_air(asked)
    with opened(log) as connection:
        if asked.back_to is not None:
            queries.setting(connection, drum.stand.name, asked.back_to)
        if asked.done or asked.turned is not None:
            told(asked, queries.entries(connection, stand_id=drum.stand_id), drum.stand.drum.rods)


def check_air(asked: Asked) -> None:
    """Refuse a temperature or humidity no room has.

    Raises
    ------
    StandError
        Naming the option and its limits.
    """
    from drumtune.errors import StandError

    for name, value, limits in (
        ("--temperature-c", asked.temperature_c, (-40.0, 60.0)),
        ("--humidity-percent", asked.humidity_percent, (0.0, 100.0)),
    ):
        if value is not None and not limits[0] <= value <= limits[1]:
            raise StandError(f"{name} lies between {limits[0]:g} and {limits[1]:g}, got {value:g}")


def parse_turned(text: str, rods: int) -> list[float]:
    """Signed turns per rod from text such as 3:+1/8,5:-1/16, or none.

    Raises
    ------
    StandError
        Naming the part that is not so written, a rod said twice, or one whose way is not said.
    """
    turned = [0.0] * rods
    if text.strip().lower() != "none":
        for rod, turns in _parts(text, rods, "--turned"):
            turned[rod - 1] = turns
    return turned


def parse_moves(text: str, rods: int) -> list[NDArray[np.float64]]:
    """Signed turns of each move, shape (rods,), from text such as 3:+1/8,5:-1/16, in the order they stand there.

    Raises
    ------
    StandError
        As `parse_turned`.
    """
    import numpy as np

    return [turns * np.eye(rods)[rod - 1] for rod, turns in _parts(text, rods, "--moves")]


def _parts(text: str, rods: int, option: str) -> Iterator[tuple[int, float]]:
    """Rod and signed turns of each part."""
    from drumtune.errors import StandError

    said = set[int]()
    for part in text.split(","):
        match = _TURN.fullmatch(part)
        amount = None if match is None or match[3].endswith("/0") else Fraction(match[3])
        if match is None or amount is None or amount > MOST_TURNS:
            raise StandError(
                f"turns are written as rod:turns, such as 3:+1/8,5:-1/16, or none; got {part.strip()!r:.40}"
            )
        rod = int(match[1])
        if not 1 <= rod <= rods:
            raise StandError(f"this drum has rods 1 to {rods}, got rod {rod}: check {option}")
        if rod in said:
            raise StandError(f"rod {rod} is said twice: give one turn for each rod, all it was turned together")
        if amount and not match[2]:
            raise StandError(
                f"say which way rod {rod} was turned: {rod}:+{match[3]} tightened, {rod}:-{match[3]} loosened"
            )
        said.add(rod)
        yield rod, float(-amount if match[2] == "-" else amount)


def told(asked: Asked, before: Sequence[Entry], rods: int) -> Turning:
    """What was turned since the entry before: as the player says, else as advised then, if that was not long ago.

    Raises
    ------
    LogError
        If the player says something was turned, and there is no reading before it.
    """
    import numpy as np

    from drumtune.advice.turns import signed_turns
    from drumtune.store.file import LogError, utc_now
    from drumtune.store.records import Turning

    if not before:
        if asked.done or asked.turned is not None:
            raise LogError("this is the drum's first take in the log: leave out --done and --turned")
        return Turning("unknown", np.zeros(rods))
    last = before[-1]
    advised = signed_turns(last.plan.moves, rods)
    if asked.turned is not None:
        return Turning("said", np.array(parse_turned(asked.turned, rods)), last.number)
    if asked.done:
        return Turning("said", advised, last.number)
    if datetime.fromisoformat(utc_now()) - datetime.fromisoformat(last.logged_utc) > SESSION:
        return Turning("unknown", np.zeros(rods), last.number)
    return Turning("assumed", advised, last.number)


def chain(entries: Sequence[Entry]) -> tuple[Kept, ...]:
    """Entries of one description of a drum as learning wants them."""
    kept = []
    for place, entry in enumerate(entries):
        follows = place > 0 and entry.turning.since == entries[place - 1].number
        turning = entry.turning if follows else replace(entry.turning, source="unknown")
        kept.append(_kept(entry.reading, entry.take.temperature_c, turning))
    return tuple(kept)


def _kept(reading: Reading, celsius: float | None, turning: Turning) -> Kept:
    from drumtune.advice.rounds import kept

    turned = None if turning.source == "unknown" else turning.turned
    return kept(reading, turned, said=turning.source == "said", celsius=celsius)


def _planned(
    connection: sqlite3.Connection, drum: KeptStand, reading: Reading, kept: Sequence[Kept], asked: Asked
) -> tuple[Learned, Plan, str]:
    """What is known, the moves, and what they aim at."""
    import numpy as np

    from drumtune.advice.rounds import know, plan_back, plan_round

    known = know(drum.stand.drum, kept)
    if asked.back_to is None:
        plan = plan_round(known, drum.stand.drum, reading.tension, reading.verdict)
        counted = float(np.ptp(known.pulls)) if len(kept) > 1 else None
        return known, replace(plan, counted_cents=counted), "even"
    setting = setting_of(connection, drum, asked.back_to)
    plan = plan_back(known, drum.stand.drum, reading.tension, setting, asked.temperature_c)
    return known, plan, setting.name


def setting_of(connection: sqlite3.Connection, drum: KeptStand, name: str) -> Setting:
    """Return a saved setting as something to aim at.

    Raises
    ------
    LogError
        If there is none of that name, or the drum had another number of rods then.
    """
    from drumtune.advice.rounds import Setting, first_pair, level_cents
    from drumtune.drum import Air
    from drumtune.store import queries
    from drumtune.store.file import LogError

    entry = queries.entry(connection, queries.setting(connection, drum.stand.name, name).number)
    if entry.reading.drum.rods != drum.stand.drum.rods:
        raise LogError(f"the setting {name!r} has {entry.reading.drum.rods} rods, the drum {drum.stand.drum.rods}")
    celsius = entry.take.temperature_c
    frequency, _ = first_pair(entry.reading, None if celsius is None else Air.at(celsius))
    return Setting(name, entry.reading.pulls_cents, level_cents(entry.reading.drum, frequency, celsius), celsius)


def _take(done: job.Job, asked: Asked) -> Take:
    from drumtune.store.records import Take

    files = tuple(hashed(path) for path in done.files)
    note = None if asked.note is None else asked.note.strip() or None
    return Take(files, done.duration, done.sample_rate, asked.temperature_c, asked.humidity_percent, note)


def hashed(path: Path) -> TakeFile:
    """Name, size and SHA-256 of a file."""
    from drumtune.errors import AudioError
    from drumtune.files import shown
    from drumtune.store.records import TakeFile

    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256")
            return TakeFile(shown(Path(path.name)), file.tell(), digest.hexdigest())
    except OSError as cause:
        raise AudioError(f"cannot read {path} again: {cause.strerror or cause}") from cause


def history(entries: Sequence[Entry]) -> History:
    """Entries of a drum as the pictures want them."""
    import numpy as np

    from drumtune.advice.rounds import History, first_pair

    if len({entry.reading.drum.rods for entry in entries}) > 1:
        entries = [entry for entry in entries if entry.reading.drum.rods == entries[-1].reading.drum.rods]
    times = [datetime.fromisoformat(entry.logged_utc) for entry in entries]
    return History(
        numbers=tuple(entry.number for entry in entries),
        days=np.array([(time - times[0]).total_seconds() / 86400.0 for time in times]),
        first_day=times[0].date().isoformat(),
        first_time=times[0].time().isoformat(timespec="minutes"),
        pulls=np.array([entry.reading.pulls_cents for entry in entries]),
        pulls_sd=np.array([np.sqrt(np.diagonal(entry.reading.covariance)) for entry in entries]),
        spread=np.array([entry.reading.spread_cents for entry in entries]),
        spread_sd=np.array([entry.reading.spread_sd_cents for entry in entries]),
        frequency=np.array([first_pair(entry.reading)[0] for entry in entries]),
        expected=np.array([entry.plan.expected_spread_cents if entry.plan.moves else np.nan for entry in entries]),
    )
