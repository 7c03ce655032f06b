"""The guided round as a state machine: which rod is due, what was wrong with the last tap, what comes next.

`step` takes a state and an event and gives a new state and what is to be said; nothing here hears, draws, waits or
remembers. Times in s on the session's own clock, rods from 1 clockwise from the marked one, turns in full turns.

A round has three phases: ``tapping`` (one rod is due), ``reading`` (every rod has its taps; `trouble` says if the
reading failed), ``moves`` (what to turn, each ticked off). Strokes that do not count are kept with the reason, because
their sound ends that of the tap before.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from drumtune.advice.turns import Move, signed_turns, words

Phase = Literal["tapping", "reading", "moves"]
Kind = Literal["tick", "next", "wrong", "note", "ready", "moves", "done"]

SOON = 0.6
"""A tap sooner than this after the last stroke cuts that one's ring and is not counted, s."""
RINGING = 1.0
"""Sound a tap needs after it, s: lost sooner, the tap is void."""
QUICK = 0.9
"""A first tap at a rod sooner than this after the last rod's may still belong to that one, s."""
SOFT = 0.1
"""A tap of less than this share of the median peak so far is too soft."""
FAINT_DB = -30.0
"""Sounds with less tone than this against the typical tap are not worth a word."""

FAULTS = {
    "clipped": "too loud for the microphone: tap softer, or turn its level down",
    "double": "two strokes at once: let the stick bounce off once only",
    "torn": "the sound was interrupted",
    "cut": "the sound stopped too early",
    "soon": "too soon after the last one: let it ring for a second",
    "soft": "too soft against the others: tap as hard as before",
    "other": "it does not sound like the other taps",
    "rod": "it was not at the rod that was due",
}
"""What to say of a stroke that does not count."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke: time (s), rod it was taken for, peak (full scale 1), and why it does not count (empty: it does)."""

    time: float
    rod: int
    peak: float
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Round:
    """State of a round.

    Parameters
    ----------
    rods, per_rod
        What a round asks for.
    number
        Rounds of this session, from 1.
    due
        Rod to tap, 0 when none is.
    strokes
        All so far, in order of time.
    later
        Rods left for later.
    moves, ticked, verdict, trouble
        What the reading said, the orders of the moves made, or why there is no reading.
    turned
        Signed turns made since the reading before, one per rod; None before the first reading.
    """

    rods: int
    per_rod: int
    number: int = 1
    phase: Phase = "tapping"
    due: int = 1
    strokes: tuple[Stroke, ...] = ()
    later: tuple[int, ...] = ()
    moves: tuple[Move, ...] = ()
    ticked: tuple[int, ...] = ()
    verdict: str = ""
    trouble: str = ""
    turned: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        if not (4 <= self.rods <= 16 and 1 <= self.per_rod <= 20):
            raise ValueError(f"4 to 16 rods with 1 to 20 taps each, got {self.rods} and {self.per_rod}")

    def taps(self, rod: int) -> tuple[Stroke, ...]:
        """Strokes that count at a rod."""
        return tuple(stroke for stroke in self.strokes if stroke.rod == rod and not stroke.fault)

    def ringing(self, time: float) -> tuple[Stroke, ...]:
        """Strokes that count whose ring was not whole yet at a time (s)."""
        return tuple(stroke for stroke in self.strokes if not stroke.fault and stroke.time > time - RINGING)

    @property
    def lacking(self) -> tuple[int, ...]:
        """Rods that do not have all their taps."""
        return tuple(rod for rod in range(1, self.rods + 1) if len(self.taps(rod)) < self.per_rod)

    @property
    def made(self) -> tuple[float, ...]:
        """Signed turns of the moves that were ticked, one per rod."""
        return tuple(signed_turns((move for move in self.moves if move.order in self.ticked), self.rods).tolist())

    @property
    def open_move(self) -> Move | None:
        """The next move that is not ticked."""
        return next((move for move in self.moves if move.order not in self.ticked), None)

    @property
    def left(self) -> int:
        """Taps the rod that is due still needs."""
        return self.per_rod - len(self.taps(self.due)) if self.due else 0


@dataclass(frozen=True, slots=True)
class Message:
    """Something to tell the player; `aloud` says whether it is worth speaking."""

    kind: Kind
    text: str
    aloud: bool = False


@dataclass(frozen=True, slots=True)
class Struck:
    """A stroke was heard: time (s), peak, the fault of its sound, and the rod it was played at (0: the one due)."""

    time: float
    peak: float
    fault: str = ""
    rod: int = 0


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound that is no tap was heard: why it is none, and its tone against the typical tap (dB)."""

    time: float
    reason: str
    tone_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Skip:
    """Leave the rod that is due for later."""


@dataclass(frozen=True, slots=True)
class Again:
    """Tap the rod that is due anew; before its first tap, the one before it."""


@dataclass(frozen=True, slots=True)
class Back:
    """Go back one rod and tap it anew."""


@dataclass(frozen=True, slots=True)
class Extra:
    """The last tap was one too many at the rod before."""


@dataclass(frozen=True, slots=True)
class Go:
    """Tap this rod anew."""

    rod: int


@dataclass(frozen=True, slots=True)
class Enough:
    """Read what there is, if every rod has a tap."""


@dataclass(frozen=True, slots=True)
class Lost:
    """Sound was lost after this time (s): strokes since then, and any whose ring it cut, are void."""

    since: float


@dataclass(frozen=True, slots=True)
class Doubted:
    """Looked at together, the strokes at these times are no taps of this head."""

    times: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Forgot:
    """The sound of the strokes at these times is gone: it is as if they had not been."""

    times: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Slipped:
    """Looked at together, `rod` got one tap too few (`by` -1) or too many (1): tap on from rod `first`."""

    rod: int
    by: int
    first: int


@dataclass(frozen=True, slots=True)
class Found:
    """The reading is there."""

    verdict: str
    moves: tuple[Move, ...]


@dataclass(frozen=True, slots=True)
class Failed:
    """There is no reading, and why."""

    text: str


@dataclass(frozen=True, slots=True)
class Tick:
    """A move is made, or was ticked by mistake."""

    order: int


@dataclass(frozen=True, slots=True)
class Next:
    """Begin the next round, the ticked moves made."""


@dataclass(frozen=True, slots=True)
class Restart:
    """Begin this round anew."""


Event = (
    Struck | Sound | Skip | Again | Back | Extra | Go | Enough | Lost | Doubted | Forgot | Slipped | Found | Failed
    | Tick | Next | Restart
)  # fmt: skip
Answer = tuple[Round, tuple[Message, ...]]


def step(state: Round, event: Event) -> Answer:
    """Go one event further.

    Parameters
    ----------
    state, event
        Where the round is, and what happened.

    Returns
    -------
    state, messages
        Where it is now, and what to tell. An event that makes no sense in a phase changes nothing and says so.

    Raises
    ------
    ValueError
        If a rod or a move named does not exist.
    """
    return _STEPS[type(event)](state, event)


def _due(state: Round, *said: Message) -> Answer:
    """Say which rod is due, or that all taps are in."""
    if not state.due:
        return state, (*said, Message("ready", "All taps are in: reading the head.", aloud=True))
    left = state.left
    return state, (*said, Message("next", f"Rod {state.due}, {left} tap{'' if left == 1 else 's'}.", aloud=True))


def _onward(state: Round) -> Round:
    """The rod that comes next: onward round the head, then those left for later; none when all have their taps."""
    lacking = state.lacking
    if not lacking:
        return replace(state, due=0, phase="reading", trouble="")
    ahead = [rod for rod in lacking if rod not in state.later]
    after = [rod for rod in ahead if rod > state.due]
    due = (after or ahead or [rod for rod in lacking if rod > state.due] or list(lacking))[0]
    return replace(state, due=due, phase="tapping", trouble="")


def _void(state: Round, which: Callable[[Stroke], bool], fault: str) -> Round:
    """Take strokes out of the count."""
    strokes = tuple(replace(s, fault=fault) if not s.fault and which(s) else s for s in state.strokes)
    return replace(state, strokes=strokes)


def _struck(state: Round, event: Struck) -> Answer:
    if state.phase != "tapping":
        return state, (Message("note", "Heard a tap; none is due now."),)
    fault, rod = event.fault or _odd(state, event), event.rod or state.due
    stroke = Stroke(event.time, rod, event.peak, fault)
    quick = _quick(state, event)
    before = state
    state = replace(state, strokes=(*state.strokes, stroke))
    if fault:
        return state, (Message("wrong", f"Not counted: {FAULTS[fault]}. Rod {state.due} again.", aloud=True),)
    count = len(state.taps(rod))
    said = [Message("tick", f"Rod {rod}: tap {count} of {state.per_rod}.")]
    if rod != state.due:
        return state, tuple(said)
    if quick:
        said.append(Message("note", f"That came quickly: if it was still rod {quick}, say so (x) and it is left out."))
    if count < state.per_rod:
        return state, tuple(said)
    state = _onward(replace(state, later=tuple(rod for rod in state.later if rod != state.due)))
    if state.due and state.due <= before.due:
        missed = ", ".join(str(rod) for rod in state.lacking)
        said.append(Message("note", f"Still without all their taps: rod {missed}.", aloud=True))
    return _due(state, *said)


def _odd(state: Round, event: Struck) -> str:
    """What is odd about a stroke among the others: too soon, or too soft."""
    real = [stroke.time for stroke in state.strokes if stroke.fault != "other"]
    if real and event.time - real[-1] < SOON:
        return "soon"
    peaks = [stroke.peak for stroke in state.strokes if not stroke.fault]
    return "soft" if len(peaks) >= 3 and event.peak < SOFT * statistics.median(peaks) else ""


def _quick(state: Round, event: Struck) -> int:
    """Rod a stroke may still belong to, though the next one is due; 0 if it came late enough."""
    counted = [stroke for stroke in state.strokes if not stroke.fault]
    if not counted or state.taps(state.due) or event.time - counted[-1].time >= QUICK:
        return 0
    return counted[-1].rod


def _sound(state: Round, event: Sound) -> Answer:
    if state.phase != "tapping" or event.tone_db < FAINT_DB:
        return state, ()
    return state, (Message("wrong", f"Not counted: {event.reason}. Rod {state.due} is due.", aloud=True),)


def _skip(state: Round, event: Skip) -> Answer:
    if state.phase != "tapping":
        return _senseless(state)
    later = (*(rod for rod in state.later if rod != state.due), state.due)
    onward = _onward(replace(state, later=later))
    return _due(onward, Message("note", f"Rod {state.due} is left for later."))


def _again(state: Round, event: Again) -> Answer:
    if state.phase == "tapping" and state.taps(state.due):
        return _go(state, Go(state.due))
    return _back(state, Back())


def _back(state: Round, event: Back) -> Answer:
    if state.phase == "moves":
        return _senseless(state)
    counted = [stroke.rod for stroke in state.strokes if not stroke.fault and stroke.rod != state.due]
    if not counted:
        return _go(state, Go(state.due or 1))
    return _go(_void(state, lambda stroke: stroke.rod == state.due, "rod"), Go(counted[-1]))


def _extra(state: Round, event: Extra) -> Answer:
    counted = [stroke for stroke in state.strokes if not stroke.fault]
    if state.phase == "moves" or not counted:
        return _senseless(state)
    last = counted[-1]
    state = _void(state, lambda stroke: stroke is last, "rod")
    due = replace(state, phase="tapping", due=last.rod)
    return _due(due, Message("note", f"The last tap is left out: it was not at rod {last.rod}."))


def _go(state: Round, event: Go) -> Answer:
    if not 1 <= event.rod <= state.rods:
        raise ValueError(f"rods are 1 to {state.rods}, got {event.rod}")
    if state.phase == "moves":
        return _senseless(state)
    state = _void(state, lambda stroke: stroke.rod == event.rod, "rod")
    state = replace(state, phase="tapping", due=event.rod, trouble="")
    return _due(state, Message("note", f"Rod {event.rod} is tapped anew."))


def _enough(state: Round, event: Enough) -> Answer:
    if state.phase == "moves":
        return _senseless(state)
    none = [rod for rod in range(1, state.rods + 1) if not state.taps(rod)]
    if none:
        which = ", ".join(str(rod) for rod in none)
        return state, (Message("wrong", f"No taps yet at rod {which}: every rod needs one.", aloud=True),)
    return _due(replace(state, phase="reading", due=0, trouble=""))


def _lost(state: Round, event: Lost) -> Answer:
    if state.phase == "moves":
        return state, ()
    cut = state.ringing(event.since)
    if not cut:
        said = (Message("note", "Some sound was lost, between taps."),) if state.phase == "tapping" else ()
        return state, said
    state = _void(state, lambda stroke: stroke in cut, "torn")
    state = replace(state, phase="tapping", due=cut[-1].rod, trouble="")
    return _due(state, Message("wrong", "Sound was lost: the last tap is needed again.", aloud=True))


def _doubted(state: Round, event: Doubted) -> Answer:
    before = state
    state = _void(state, lambda stroke: any(abs(stroke.time - time) < 0.05 for time in event.times), "other")
    lacking = [rod for rod in state.lacking if len(state.taps(rod)) < len(before.taps(rod))]
    if not lacking:
        return state, ()
    which = ", ".join(str(rod) for rod in lacking)
    state = replace(state, phase="tapping", due=lacking[0], trouble="")
    return _due(state, Message("wrong", f"Some taps at rod {which} sound unlike the others: again.", aloud=True))


def _forgot(state: Round, event: Forgot) -> Answer:
    gone = [stroke for stroke in state.strokes if any(abs(stroke.time - time) < 0.05 for time in event.times)]
    if not gone or state.phase == "moves":
        return state, ()
    state = replace(state, strokes=tuple(stroke for stroke in state.strokes if stroke not in gone))
    due = replace(state, phase="tapping", due=gone[0].rod, trouble="")
    return _due(due, Message("wrong", "Sound was lost: the last tap is needed again.", aloud=True))


def _slipped(state: Round, event: Slipped) -> Answer:
    if state.phase != "reading":
        return state, ()
    state = replace(_void(state, lambda stroke: stroke.rod >= event.first, "rod"), phase="tapping", due=event.first)
    what = "few" if event.by < 0 else "many"
    text = f"It sounds as if rod {event.rod} got one tap too {what}, and all after it slipped: "
    return _due(state, Message("wrong", f"{text}tap on from rod {event.first}.", aloud=True))


def _found(state: Round, event: Found) -> Answer:
    if state.phase != "reading":
        return state, ()
    state = replace(state, phase="moves", moves=event.moves, ticked=(), verdict=event.verdict, trouble="")
    if not event.moves:
        text = {"even": "The head is even: leave every rod as it is."}.get(event.verdict, f"{event.verdict}: no moves.")
        return state, (Message("done", text[0].upper() + text[1:], aloud=True),)
    first = words(event.moves[0])
    return state, (Message("moves", f"{len(event.moves)} moves. First, {first}.", aloud=True),)


def _failed(state: Round, event: Failed) -> Answer:
    if state.phase != "reading":
        return state, ()
    return replace(state, trouble=event.text), (Message("wrong", f"No reading: {event.text}", aloud=True),)


def _tick(state: Round, event: Tick) -> Answer:
    if event.order not in {move.order for move in state.moves}:
        raise ValueError(f"there is no move {event.order} in this round")
    if event.order in state.ticked:
        return replace(state, ticked=tuple(order for order in state.ticked if order != event.order)), ()
    state = replace(state, ticked=(*state.ticked, event.order))
    rest = state.open_move
    text = f"Next, {words(rest)}." if rest else "All moves are made: tap round again."
    return state, (Message("moves" if rest else "done", text, aloud=True),)


def _next(state: Round, event: Next) -> Answer:
    if state.phase != "moves":
        return _senseless(state)
    fresh = Round(state.rods, state.per_rod, state.number + 1, turned=state.made)
    undone = [str(move.rod) for move in state.moves if move.order not in state.ticked]
    said = (Message("note", f"Taken as not turned: rod {', '.join(undone)}."),) if undone else ()
    return _due(fresh, *said)


def _restart(state: Round, event: Restart) -> Answer:
    turned = state.made if state.phase == "moves" else state.turned
    fresh = Round(state.rods, state.per_rod, state.number, turned=turned)
    return _due(fresh, Message("note", "The round begins anew."))


def _senseless(state: Round) -> Answer:
    return state, (Message("note", "That has no meaning at this point."),)


_STEPS: dict[type, Callable[[Round, Any], Answer]] = {
    Struck: _struck, Sound: _sound, Skip: _skip, Again: _again, Back: _back, Extra: _extra, Go: _go, Enough: _enough,
    Lost: _lost, Doubted: _doubted, Forgot: _forgot, Slipped: _slipped, Found: _found, Failed: _failed,
    Tick: _tick, Next: _next, Restart: _restart,
}  # fmt: skip


def document(state: Round) -> dict[str, Any]:
    """State as plain values."""
    plain = {name: getattr(state, name) for name in Round.__dataclass_fields__}
    plain["strokes"] = [[s.time, s.rod, s.peak, s.fault] for s in state.strokes]
    plain["moves"] = [[m.order, m.rod, m.action, m.turns] for m in state.moves]
    return plain


def from_document(plain: dict[str, Any]) -> Round:
    """State from what `document` gave, by way of JSON or not.

    Raises
    ------
    ValueError, TypeError
        If it is no such thing, or holds a rod or a number that no round has.
    """
    values = dict(plain)
    values["strokes"] = tuple(Stroke(*row) for row in plain["strokes"])
    values["moves"] = tuple(Move(*row) for row in plain["moves"])
    for name in ("later", "ticked"):
        values[name] = tuple(plain[name])
    values["turned"] = None if plain["turned"] is None else tuple(plain["turned"])
    state = Round(**values)
    if not (_rods_fit(state) and _numbers_fit(state)):
        raise ValueError("no round was ever in this state")
    return state


def _rods_fit(state: Round) -> bool:
    """Whether every rod named is one of the drum's, and one is due just where taps are awaited."""
    rods, due = range(1, state.rods + 1), [state.due] if state.phase == "tapping" else []
    named = [*due, *state.later, *(stroke.rod for stroke in state.strokes), *(move.rod for move in state.moves)]
    known = state.phase in get_args(Phase) and (bool(due) or state.due == 0)
    return known and all(isinstance(rod, int) and rod in rods for rod in named)


def _numbers_fit(state: Round) -> bool:
    """Whether times, peaks and turns are finite, there is a turn for each rod, and only moves there are were ticked."""
    numbers = [number for stroke in state.strokes for number in (stroke.time, stroke.peak)]
    turns = [*(move.turns for move in state.moves), *(state.turned or ())]
    whole = state.turned is None or len(state.turned) == state.rods
    ticked = set(state.ticked) <= {move.order for move in state.moves}
    return whole and ticked and all(math.isfinite(number) for number in (*numbers, *turns))
