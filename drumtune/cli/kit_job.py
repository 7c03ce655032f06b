"""The work of `drumtune kit`: files to drums and a room, drums to notes. Prints nothing."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drumtune.advice.kit import Choice
    from drumtune.advice.kit_match import Move
    from drumtune.advice.kit_problem import Gain, Problem
    from drumtune.advice.kit_range import Setting, Voice
    from drumtune.advice.kit_report import Conflict
    from drumtune.advice.room import GainCurve
    from drumtune.plots.kit import Bar
    from drumtune.stand import Kit, Stand


EXAMPLE = "bakery-kit.toml"
"""The example kit among the samples."""
MOST_MODES, HIGHEST_MODE = 50_000, 2000.0
"""Most modes of a room that are taken, and up to which frequency in Hz: no drum's note lies above."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for: intervals, whether they may be missed, a room, its use, smallest changes, present pitches."""

    intervals: str = "close"
    as_close: bool = False
    room: Path | None = None
    onto: bool = False
    match: bool = False
    now: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another choice: what it is best for, its notes (Hz), cost, and what it gains and gives up, in words."""

    best_for: str
    notes: tuple[float, ...]
    pattern: str
    cost: float
    gains: tuple[str, ...]
    costs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KitJob:
    """The answer: drums with their settings and remarks, alternatives, conflicts.

    `problem` and `choice` are None, and `moves` filled, where the smallest changes were asked for.
    """

    kit: Kit
    voices: tuple[Voice, ...]
    settings: tuple[Setting, ...]
    remarks: tuple[tuple[str, ...], ...]
    gain: Gain | None
    pattern: str
    alternatives: tuple[Alternative, ...]
    conflicts: tuple[Conflict, ...]
    moves: tuple[Move, ...] = ()
    problem: Problem | None = None
    choice: Choice | None = None


def do(path: Path, asked: Asked) -> KitJob:
    """Choose the notes of a kit, or the smallest changes to it.

    Raises
    ------
    DrumtuneError
        If files or wishes do not allow an answer; one line for the player.
    """
    from drumtune.advice.kit_range import voice
    from drumtune.kitfile import read_kit

    kit = with_present(read_kit(path), asked.now)
    gain = read_room(asked.room) if asked.room is not None else None
    voices = tuple(voice(stand) for stand in kit.stands)
    return _matched(kit, voices, gain, asked) if asked.match else chosen(kit, voices, gain, asked)


def chosen(kit: Kit, voices: tuple[Voice, ...], gain: Gain | None, asked: Asked) -> KitJob:
    """Notes for the drums of a kit, and other notes that are better at something.

    Raises
    ------
    DrumtuneError
        If no notes fit the drums and what was asked for.
    """
    from drumtune.advice import kit as advice
    from drumtune.advice import kit_report

    wish = advice.Wish(asked.intervals, asked.as_close, gain, asked.onto)
    problem = advice.pose(voices, wish)
    best = advice.solve(problem)
    settings = tuple(v.setting(note) for v, note in zip(voices, best.notes(problem), strict=True))
    top = kit_report.measures(problem, best)
    others = []
    for name, other in advice.alternatives(problem, best):
        gains, costs = kit_report.compare(kit_report.measures(problem, other), top, onto=asked.onto)
        if not gains and name != advice.ANOTHER:
            continue
        notes = other.notes(problem)
        others.append(Alternative(name, notes, other.pattern.name, other.cost, tuple(gains), tuple(costs)))
    found = kit_report.conflicts(problem, best)
    remarks = _remarks(voices, settings)
    return KitJob(kit, voices, settings, remarks, gain, best.pattern.name, tuple(others), found, (), problem, best)


def _matched(kit: Kit, voices: tuple[Voice, ...], gain: Gain | None, asked: Asked) -> KitJob:
    from drumtune.advice.kit_match import smallest_changes
    from drumtune.advice.kit_report import Conflict

    moves = smallest_changes(voices, gain, onto=asked.onto)
    settings = tuple(v.setting(move.then) for v, move in zip(voices, moves, strict=True))
    found = tuple(
        Conflict("trouble", v.stand.name, None, move.cents, f"{v.stand.name}: {move.why}")
        for v, move in zip(voices, moves, strict=True)
        if not move.clear
    )
    words = "smallest changes out of trouble"
    return KitJob(kit, voices, settings, _remarks(voices, settings), gain, words, (), found, moves)


def _remarks(voices: Sequence[Voice], settings: Sequence[Setting]) -> tuple[tuple[str, ...], ...]:
    from drumtune.advice.kit_report import remarks

    return tuple(remarks(v, setting) for v, setting in zip(voices, settings, strict=True))


def write_example(path: Path) -> None:
    """Write the example kit to a file that is not there yet.

    Raises
    ------
    DrumtuneError
        If there is such a file, or it cannot be written.
    """
    from drumtune.cli.demo import samples
    from drumtune.errors import DrumtuneError
    from drumtune.files import check_writable, written

    if path.exists():
        raise DrumtuneError(f"there is a file {path} already: give another name")
    check_writable(path)
    text = (samples() / EXAMPLE).read_text(encoding="utf-8")
    with written(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def bars(job: KitJob) -> list[Bar]:
    """Return what the picture of a kit shows of each drum: its reach, its note, where it is now."""
    from drumtune.plots.kit import Bar

    present = [voice.present() for voice in job.voices]
    return [
        Bar(voice.stand.name, voice.lowest, voice.highest, setting.note, now[0] if now else None)
        for voice, setting, now in zip(job.voices, job.settings, present, strict=True)
    ]


def with_present(kit: Kit, now: Sequence[str]) -> Kit:
    """Put present pitches into a kit: NAME=HZ, or NAME=FILE with the JSON of `drumtune even` for the top head.

    Raises
    ------
    DrumtuneError
        If a name is none of the kit's, or the value no pitch.
    """
    from drumtune.errors import DrumtuneError

    stands = {stand.name: stand for stand in kit.stands}
    for item in now:
        name, mark, value = item.partition("=")
        if not mark or name.strip() not in stands:
            names = ", ".join(stands)
            raise DrumtuneError(f"--now is NAME=HZ or NAME=FILE with NAME one of {names}; got {item!r:.60}")
        stands[name.strip()] = _with_pitch(stands[name.strip()], value.strip())
    return replace(kit, stands=tuple(stands.values()))


def _with_pitch(stand: Stand, value: str) -> Stand:
    from drumtune.errors import DrumtuneError

    try:
        pitch = float(value)
    except ValueError:
        pitch = _pitch_of(Path(value))
    if not 20.0 <= pitch <= 2000.0:
        raise DrumtuneError(f"{stand.name}: a pitch near a rod lies between 20 and 2000 Hz, got {pitch:g}: check --now")
    return replace(stand, top_rod=pitch)


def _pitch_of(path: Path) -> float:
    """Mean frequency of the (1,1) pair in the JSON of `drumtune even`."""
    from drumtune.errors import DrumtuneError

    document = _load(path)
    modes = document.get("modes")
    rows = [row for row in modes if isinstance(row, dict)] if isinstance(modes, list) else []
    pair = [row.get("frequency_hz") for row in rows if (row.get("m"), row.get("n")) == (1, 1)]
    values = [float(value) for value in pair if isinstance(value, (int, float)) and abs(value) < 1e6]
    if not values:
        raise DrumtuneError(f"{path} does not tell the (1,1) pair: give the JSON of drumtune even, or the pitch in Hz")
    return float(sum(values) / len(values))


def _load(path: Path) -> dict[str, Any]:
    from drumtune.errors import DrumtuneError
    from drumtune.kitfile import read_text

    try:
        document = json.loads(read_text(path, most=20_000_000))
    except (ValueError, RecursionError) as cause:  # a number of thousands of digits is a plain ValueError
        raise DrumtuneError(f"{path} is no JSON ({cause!s:.200}): is it the right file?") from cause
    if not isinstance(document, dict):
        raise DrumtuneError(f"{path} holds no answer of drumtune: is it the right file?")
    return document


def read_room(path: Path) -> Gain:
    """Gain of a room in dB for notes in Hz, from the JSON of `drumtune room`, or from its modes alone.

    Raises
    ------
    DrumtuneError
        If the file is missing or does not describe a room.
    """
    from drumtune.errors import DrumtuneError

    document = _load(path)
    try:
        return (_from_response(document) if "response" in document else _from_modes(document)).at
    except (KeyError, TypeError, ValueError, OverflowError) as cause:
        raise DrumtuneError(
            f"{path} does not describe a room ({cause!s:.200}): write it with drumtune room --json > {path.name}"
        ) from None


def _from_response(document: dict[str, Any]) -> GainCurve:
    import numpy as np

    from drumtune.advice.room import GainCurve

    start, step = float(document["response"]["start_hz"]), float(document["response"]["step_hz"])
    gain = np.array(document["response"]["gain_db"], dtype=float)
    if (
        gain.ndim != 1
        or not 2 <= gain.size <= 100_000
        or not np.isfinite(gain).all()
        or not (0.0 < start < 1e6 and 0.0 < step < 1e6)
    ):
        raise ValueError("its response is not a row of numbers")
    return GainCurve(np.asarray(start + step * np.arange(gain.size)), np.clip(gain, -120.0, 60.0))


def _from_modes(document: dict[str, Any]) -> GainCurve:
    from drumtune.advice.room import curve_from_modes

    modes = document["modes"]
    if not isinstance(modes, list) or len(modes) > MOST_MODES:
        raise ValueError(f"its modes are no list of up to {MOST_MODES}")
    low = [mode for mode in modes if not mode["frequency_hz"] > HIGHEST_MODE]
    return curve_from_modes([float(mode["frequency_hz"]) for mode in low], [float(mode["decay_s"]) for mode in low])
