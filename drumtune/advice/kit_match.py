"""The smallest changes that take every drum of a kit out of trouble in a room.

Each drum may move by steps of a quarter of a semitone from where it is now. It is out of trouble where its heads are
neither slack nor strained, the room neither lifts nor swallows its note by more than 3 dB (or, if wanted, does
lift it), and the snare wires do not answer it by more than 10 dB. The sum of all movements is made least, exactly: for
every place the snares may go to, each other drum takes its own nearest place out of trouble.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.kit_problem import MOST_SNARES, ROOM_DB, WIRES_DB, Array, Gain, WireLines
from drumtune.advice.kit_range import Voice
from drumtune.errors import DrumtuneError

Flags = NDArray[np.bool_]

GRAIN = 25.0
"""Grain of the search, cents."""
REACH = 500.0
"""Farthest a drum is moved, cents."""
_STUCK = 10.0 * REACH


@dataclass(frozen=True, slots=True)
class Move:
    """One drum: note now and note to be, Hz; whether it is out of trouble there, and if not, why."""

    now: float
    then: float
    clear: bool
    why: str = ""

    @property
    def cents(self) -> float:
        """How far it moves."""
        return float(1200.0 * np.log2(self.then / self.now))


def smallest_changes(voices: Sequence[Voice], gain: Gain | None, *, onto: bool = False) -> tuple[Move, ...]:
    """Find the least sum of changes; drums that cannot get out of trouble stay and say why.

    Parameters
    ----------
    voices
        Drums whose present pitch is known (rod_hz in the stand).
    gain
        The room's lift in dB for notes in Hz, or None.
    onto
        Notes the room lifts are wanted rather than avoided.

    Raises
    ------
    DrumtuneError
        If a drum's present pitch is not known, or there are more than two snare drums.
    """
    now = [_present(voice) for voice in voices]
    snares = [i for i, voice in enumerate(voices) if voice.stand.role == "snare"]
    if len(snares) > MOST_SNARES:
        raise DrumtuneError(f"a kit has at most {MOST_SNARES} snare drums here, got {len(snares)}")
    steps = np.arange(-REACH, REACH + 1.0, GRAIN)
    steps = steps[np.argsort(np.abs(steps), kind="stable")]
    grids = [note * np.exp2(steps / 1200.0) for note in now]
    clear = [_clear(voice, grid, gain, onto) for voice, grid in zip(voices, grids, strict=True)]
    rest = [d for d in range(len(voices)) if d not in snares]
    quiet = {(d, s): _quiet(voices[s], grids[s], grids[d]) for s in snares for d in rest}
    best: tuple[float, dict[int, int]] = (math.inf, {})
    for fixed in product(*(_open(clear[s]) for s in snares)):
        places = dict(zip(snares, fixed, strict=True))
        places |= {d: _first(clear[d], [quiet[d, s][p] for s, p in zip(snares, fixed, strict=True)]) for d in rest}
        cost = sum(abs(steps[p]) if p >= 0 else _STUCK for p in places.values())
        if cost < best[0]:
            best = (float(cost), places)
    return tuple(
        _move(voice, grid, ok, place, gain)
        for voice, grid, ok, place in zip(voices, grids, clear, (best[1][d] for d in range(len(voices))), strict=True)
    )


def _present(voice: Voice) -> float:
    now = voice.present()
    if now is None:
        raise DrumtuneError(
            f"{voice.stand.name}: its present pitch is not known: give rod_hz under top in the kit file"
        )
    return now[0]


def _clear(voice: Voice, notes: Array, gain: Gain | None, onto: bool) -> Flags:
    """Whether each note is within the drum's range and well with the room, shape (notes,)."""
    fine = (notes >= voice.lowest) & (notes <= voice.highest)
    if gain is not None:
        lift = gain(notes)
        fine &= lift > 0.0 if onto else np.abs(lift) <= ROOM_DB
    return fine


def _quiet(snare: Voice, places: Array, notes: Array) -> Flags:
    """Whether the wires stay quiet, shape (snare's places, notes)."""
    lines = WireLines.of(snare, np.clip(places, snare.lowest, snare.highest))
    return np.asarray(lines.answer_db(notes) <= WIRES_DB)


def _open(clear: Flags) -> list[int]:
    """Places a snare may take: clear ones, or the present one when there is none."""
    return [int(i) for i in np.flatnonzero(clear)] or [0]


def _first(clear: Flags, quiet: list[Flags]) -> int:
    """Nearest place out of trouble (places are ordered by distance), -1 when there is none."""
    fine = clear.copy()
    for row in quiet:
        fine &= row
    return int(fine.argmax()) if fine.any() else -1


def _move(voice: Voice, notes: Array, clear: Flags, place: int, gain: Gain | None) -> Move:
    now = float(notes[0])
    if place >= 0 and clear[place]:
        return Move(now, float(notes[place]), True)
    if not voice.lowest <= now <= voice.highest:
        why = voice.limits.under if now < voice.lowest else voice.limits.over
        return Move(now, now, False, f"{why}, and no note within {REACH / 100:.0f} semitones is better")
    lift = 0.0 if gain is None else float(gain(np.array([now]))[0])
    return Move(
        now, now, False, f"no note within {REACH / 100:.0f} semitones suits room and wires (room {lift:+z.1f} dB)"
    )
