"""What a choice of notes amounts to: measures, what another choice gains and gives up, conflicts, remarks per drum.

Measures are in the units a player knows (semitones, per cent of stiffness, dB). A conflict is anything a choice could
not avoid; its limits are those of `drumtune.advice.kit_problem`, our own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from drumtune.advice import pair
from drumtune.advice.cautions import FILM_SHARE, ROD_FORCE
from drumtune.advice.kit import Choice
from drumtune.advice.kit_problem import LIFT_WANTED_DB, ROOM_DB, WIRES_DB, Problem
from drumtune.advice.kit_range import Setting, Voice
from drumtune.drum import Drum
from drumtune.notes import note_name
from drumtune.physics.film import safe_share
from drumtune.physics.rods import rod_force

FEEL_PERCENT = 25.0
"""Change of stiffness from tom to tom that is plainly felt, % (our own choice)."""
NEAR_FORCE = 0.8
"""Share of the cautioned rod force from which on it is mentioned."""
MOST_TURNS = {"top": 3.0, "bottom": 6.0}
"""Turns of every rod of a head that still are a retuning (our own choice; a top head's whole range is three to five, a
thin bottom film is stretched further)."""


@dataclass(frozen=True, slots=True)
class Measures:
    """The worst of each kind in a choice.

    Parameters
    ----------
    off
        Largest difference of a step from the one asked for, semitones.
    feel
        Largest change of stiffness from one tom to the next, %.
    wires
        Strongest answer of the snare wires to a tom or bass drum, dB; None without a snare.
    room
        The room's gain that is farthest from what is wanted, dB; None without a room.
    ease
        Largest distance of a drum from where it is at ease, as a share of its range.
    """

    off: int
    feel: float
    wires: float | None
    room: float | None
    ease: float


@dataclass(frozen=True, slots=True)
class Conflict:
    """Something a choice could not avoid: kind (steps, feel, wires, room, film, rods), drum, the other one, text."""

    kind: str
    drum: str
    other: str | None
    value: float
    text: str


def measures(problem: Problem, choice: Choice) -> Measures:
    """Work out the worst of each kind."""
    wires = [value for value, _, _ in _answers(problem, choice)]
    gains = _gains(problem, choice)
    wanted = LIFT_WANTED_DB if problem.wish.onto else 0.0
    worst = min(gains) if problem.wish.onto else max(gains, key=lambda gain: abs(gain - wanted))
    return Measures(
        max((off for off, *_ in _steps(problem, choice)), default=0),
        max((change for change, *_ in _changes(problem, choice)), default=0.0),
        max(wires) if wires else None,
        worst if problem.wish.gain is not None else None,
        max(math.sqrt(fact.middle[place]) for fact, place in zip(problem.facts, choice.places, strict=True)),
    )


def compare(other: Measures, best: Measures, *, onto: bool = False) -> tuple[list[str], list[str]]:
    """What another choice gains over the best one and what it gives up, in words."""
    rows = [
        (best.off - other.off, 0.5, f"steps {other.off} instead of {best.off} semitones off those asked for"),
        (best.feel - other.feel, 1.0, f"feel changing by {other.feel:.0f} % instead of {best.feel:.0f} % between toms"),
        (
            best.ease - other.ease,
            0.02,
            f"{_share(other.ease)} instead of {_share(best.ease)} of its range from ease",
        ),
    ]
    if other.wires is not None and best.wires is not None:
        text = f"wires that answer at {other.wires:+z.1f} instead of {best.wires:+z.1f} dB"
        rows.append((best.wires - other.wires, 0.5, text))
    if other.room is not None and best.room is not None:
        better = other.room - best.room if onto else abs(best.room) - abs(other.room)
        rows.append((better, 0.3, f"a note the room changes by {other.room:+z.1f} instead of {best.room:+z.1f} dB"))
    gains = [text for better, least, text in rows if better >= least]
    costs = [text for better, least, text in rows if better <= -least]
    return gains, costs


def _share(value: float) -> str:
    return f"{100.0 * value:.0f} %"


def conflicts(problem: Problem, choice: Choice) -> tuple[Conflict, ...]:
    """Everything the choice could not avoid, in words."""
    names = [voice.stand.name for voice in problem.voices]
    found = [
        Conflict("steps", names[b], names[a], off, f"{names[b]} is {got} semitones over {names[a]}, {off} off the step")
        for off, a, b, got in _steps(problem, choice)
        if off
    ]
    found += [
        Conflict("feel", names[b], names[a], size, f"{names[b]} feels {size:.0f} % {way} than {names[a]}")
        for size, a, b, way in _changes(problem, choice)
        if size > FEEL_PERCENT
    ]
    found += [
        Conflict(
            "wires", names[drum], names[snare], value, f"{names[snare]}'s wires answer {names[drum]} ({value:+z.0f} dB)"
        )
        for value, drum, snare in _answers(problem, choice)
        if value > WIRES_DB
    ]
    return (*found, *_room_conflicts(problem, choice), *_strain(problem, choice))


def _room_conflicts(problem: Problem, choice: Choice) -> Iterator[Conflict]:
    if problem.wish.gain is None:
        return
    for voice, gain in zip(problem.voices, _gains(problem, choice), strict=True):
        name = voice.stand.name
        if problem.wish.onto and gain < 0.0:
            yield Conflict("room", name, None, gain, f"the room does not lift {name} ({gain:+z.1f} dB)")
        elif not problem.wish.onto and abs(gain) > ROOM_DB:
            does = "lifts" if gain > 0.0 else "swallows"
            yield Conflict("room", name, None, gain, f"the room {does} {name} ({gain:+z.1f} dB)")


def _strain(problem: Problem, choice: Choice) -> Iterator[Conflict]:
    """Heads and rods near their limits; the makers' own limits come first."""
    for voice, note in zip(problem.voices, choice.notes(problem), strict=True):
        for which, drum, tension in _heads(voice, voice.setting(note)):
            name = voice.stand.name
            force = float(rod_force(drum.head.radius, tension, drum.rods))
            if force > NEAR_FORCE * ROD_FORCE:
                text = (
                    f"{name}: a rod of the {which} head bears about {force:.0f} N; keep to what hoop, lug and rod allow"
                )
                yield Conflict("rods", name, None, force, text)
            share = float(safe_share(tension / drum.head.thickness)) if drum.head.thickness else 0.0
            if share > NEAR_FORCE * FILM_SHARE:
                text = f"{name}: the {which} film is at {_share(share)} of its safe stress; its maker knows the limit"
                yield Conflict("film", name, None, share, text)


def _heads(voice: Voice, setting: Setting) -> Iterator[tuple[str, Drum, float]]:
    yield "top", voice.stand.drum, setting.top_tension
    if voice.stand.bottom is not None and setting.bottom_tension is not None:
        yield "bottom", voice.stand.drum.with_head(voice.stand.bottom), setting.bottom_tension


def _steps(problem: Problem, choice: Choice) -> list[tuple[int, int, int, int]]:
    """(semitones off the step asked for, lower tom, upper tom, semitones between them) for each gap."""
    numbers = choice.numbers(problem)
    pairs = zip(problem.toms, problem.toms[1:], choice.pattern.steps, strict=False)
    return [
        (min(abs(numbers[b] - numbers[a] - step) for step in steps), a, b, numbers[b] - numbers[a])
        for a, b, steps in pairs
    ]


def _changes(problem: Problem, choice: Choice) -> list[tuple[float, int, int, str]]:
    """(change of stiffness in %, lower tom, upper tom, stiffer or softer) for each gap."""
    found = []
    for a, b in zip(problem.toms, problem.toms[1:], strict=False):
        first, second = (float(problem.facts[i].stiffness[choice.places[i]]) for i in (a, b))
        size = 100.0 * (max(first, second) / min(first, second) - 1.0)
        found.append((size, a, b, "stiffer" if second > first else "softer"))
    return found


def _answers(problem: Problem, choice: Choice) -> list[tuple[float, int, int]]:
    """(answer in dB, drum, snare) for every drum that is no snare and every snare."""
    return [
        (float(answer[choice.places[snare], choice.places[drum]]), drum, snare)
        for drum, fact in enumerate(problem.facts)
        for snare, answer in zip(problem.snares, fact.answers, strict=False)
    ]


def _gains(problem: Problem, choice: Choice) -> list[float]:
    """The room's gain at each drum's note, dB."""
    return [float(fact.gain[place]) for fact, place in zip(problem.facts, choice.places, strict=True)]


def remarks(voice: Voice, setting: Setting) -> tuple[str, ...]:
    """How to get there from where the drum is: rough turns per head, and which rods' pitch to tap for."""
    now = voice.present()
    lines = []
    if setting.bottom_rod is not None:
        note, off = note_name(setting.bottom_rod)
        lines.append(f"bottom head near a rod, top muted: {setting.bottom_rod:.1f} Hz ({note} {off:+z.0f} cents)")
    if now is None:
        lines.append("turns unknown: give rod_hz, the pitch heard now near a rod of the top head")
        return tuple(lines)
    lines.append(_turns("top", voice.stand.drum, now[1], setting.top_tension))
    if voice.stand.bottom is not None and voice.stand.bottom_rod is not None:
        below = voice.stand.drum.with_head(voice.stand.bottom)
        lines.append(_turns("bottom", below, now[2] or now[1], setting.bottom_tension or setting.top_tension))
    return tuple(lines)


def _turns(which: str, drum: Drum, start: float, target: float) -> str:
    """Rough turns of every rod of a head, in eighths, as a sentence; their deviation rounded outward.

    None where they are too many to be meant.
    """
    turns, sd = pair.turns_between(drum.head, start, target)
    if abs(turns) > MOST_TURNS[which]:
        return f"{which} head: that is not a retuning: check diameter_in (inches) and rod_hz"
    eighths = round(8.0 * abs(turns))
    if not eighths:
        return f"{which} head: stays, within 1/16 turn"
    way, care = ("raise", "") if turns > 0.0 else ("lower", " and a little past, then bring it back up")
    least, most = math.floor(8.0 * max(abs(turns) - sd, 0.0)), math.ceil(8.0 * (abs(turns) + sd))
    return (
        f"{which} head: {way} every rod by about {_turn(eighths)} (roughly {_eighths(least)} to {_turn(most)}){care}: "
        "crosswise, a quarter turn at a time at most, then tap again"
    )


def _turn(count: int) -> str:
    return f"{_eighths(count)} turn" if count <= 8 else f"{_eighths(count)} turns"


def _eighths(count: int) -> str:
    whole, rest = divmod(count, 8)
    part = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}[rest]
    return " ".join(word for word in (str(whole) if whole else "", part) if word) or "0"
