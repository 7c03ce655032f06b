"""A kit and a wish, worked out into the numbers a choice of notes is weighed by.

For every drum the notes open to it and, for each, what it costs; for every snare drum, how its wires would answer.
Costs are squares of a quantity over the size at which it is plainly noticed (our own choice, no source).
See docs/physics.md, "Kit".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.advice.intervals import CLOSE, Pattern, patterns
from drumtune.advice.kit_range import Voice
from drumtune.errors import DrumtuneError
from drumtune.notes import A4_HZ, note_name
from drumtune.physics import two_heads
from drumtune.physics.two_heads import BOTTOM
from drumtune.stand import Role

Array = NDArray[np.float64]
Gain = Callable[[Array], Array]

STEP, FEEL, WIRES_DB, ROOM_DB = 0.5, math.log(1.25), 10.0, 3.0
"""Sizes that cost 1: half a semitone off the step, a quarter more stiffness, 10 dB of answer, 3 dB of room."""
MIDDLE: dict[Role, float] = {"tom": 0.5, "snare": 0.8, "bass": 0.5}
"""Where in its range a drum is at ease, 0 slack, 1 strained (a snare is set tight: common practice, no source)."""
WIRE_DAMPING = (0.0507, 0.0110)
"""Damping over critical of a snare drum's lower and upper (0,1) line (Skrodzka, Hojan & Proksza, Archives of
Acoustics 31(3), 2006, as quoted by others: 224 and 322 Hz)."""
LIFT_WANTED_DB = 6.0
"""Where the room is to help, it is asked to lift notes by so much."""
MOST_SNARES = 2
NEVER = math.inf


@dataclass(frozen=True, slots=True)
class Priorities:
    """How much each share of the cost counts, zero or more."""

    steps: float = 1.0
    feel: float = 1.0
    wires: float = 1.0
    room: float = 1.0
    middle: float = 2.0


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted.

    Parameters
    ----------
    intervals
        See `drumtune.advice.intervals`.
    as_close
        Whether other steps may do where those asked for do not fit.
    gain
        The room's lift in dB for notes in Hz (any shape), or None where no room is given.
    onto
        Notes on the room's modes rather than off them.
    priorities
        Weights.
    """

    intervals: str = CLOSE
    as_close: bool = False
    gain: Gain | None = None
    onto: bool = False
    priorities: Priorities = field(default_factory=Priorities)

    @property
    def loose(self) -> bool:
        """Whether steps may differ from those asked for."""
        return self.as_close or self.intervals.strip().lower() == CLOSE


@dataclass(frozen=True, slots=True)
class Facts:
    """One drum's notes, arrays (notes,): semitone numbers (A4 = 69), Hz, stiffness (N/m), and raw costs.

    `middle` and `room` are costs at priority 1; `gain` is the room's lift in dB; `answers` holds, for each snare drum,
    how its wires answer, dB, shape (that snare's notes, notes), and nothing for a snare drum itself.
    """

    numbers: NDArray[np.int64]
    notes: Array
    stiffness: Array
    middle: Array
    gain: Array
    room: Array
    answers: tuple[Array, ...]


@dataclass(frozen=True, slots=True)
class Problem:
    """All that a search needs: drums in the order of the kit, places of toms (lowest first), snares and the rest."""

    voices: tuple[Voice, ...]
    wish: Wish
    toms: tuple[int, ...]
    snares: tuple[int, ...]
    others: tuple[int, ...]
    facts: tuple[Facts, ...]
    patterns: tuple[Pattern, ...]


def frequency_of(number: ArrayLike) -> Array:
    """Frequency in Hz of notes by number of semitones, A4 = 69."""
    return np.asarray(A4_HZ * np.exp2((np.asarray(number, float) - 69.0) / 12.0))


def number_of(frequency: float) -> float:
    """Number of semitones of a frequency in Hz, A4 = 69; whole for notes."""
    return 69.0 + 12.0 * math.log2(frequency / A4_HZ)


def pose(voices: Sequence[Voice], wish: Wish) -> Problem:
    """Work out a kit and a wish.

    Raises
    ------
    DrumtuneError
        If there are more than two snare drums, the wish is none, or a drum reaches no note.
    """
    roles = [voice.stand.role for voice in voices]
    snares = tuple(i for i, role in enumerate(roles) if role == "snare")
    if len(snares) > MOST_SNARES:
        raise DrumtuneError(f"a kit has at most {MOST_SNARES} snare drums here, got {len(snares)}")
    toms = [i for i, role in enumerate(roles) if role == "tom"]
    toms.sort(key=lambda i: (-voices[i].stand.drum.head.radius, -voices[i].stand.depth))
    others = tuple(i for i, role in enumerate(roles) if role == "bass")
    numbers = [_open_notes(voice) for voice in voices]
    wires = [WireLines.of(voices[i], frequency_of(numbers[i])) for i in snares]
    facts = [_facts(voice, own, wish, wires) for voice, own in zip(voices, numbers, strict=True)]
    ways = patterns(wish.intervals, max(len(toms) - 1, 0))
    return Problem(tuple(voices), wish, tuple(toms), snares, others, tuple(facts), ways)


def _open_notes(voice: Voice) -> NDArray[np.int64]:
    """Notes in a drum's range, or the one it must stay on."""
    low, high = number_of(voice.lowest), number_of(voice.highest)
    found = np.arange(math.ceil(low), math.floor(high) + 1)
    if not found.size:
        raise DrumtuneError(f"{voice.stand.name} reaches no note: its two heads suit each other in too narrow a range")
    if voice.stand.note is None:
        return found
    number = round(number_of(voice.stand.note))
    if number in found:
        return np.array([number])
    way, why = ("below", voice.limits.under) if number < low else ("above", voice.limits.over)
    raise DrumtuneError(
        f"{voice.stand.name} cannot stay on {note_name(float(frequency_of(number)))[0]}: that is "
        f"{max(low - number, number - high):.1f} semitones {way} where {why}"
    )


def _facts(voice: Voice, numbers: NDArray[np.int64], wish: Wish, wires: Sequence[WireLines]) -> Facts:
    notes = frequency_of(numbers)
    gain = np.zeros(notes.size) if wish.gain is None else wish.gain(notes)
    off = np.maximum(LIFT_WANTED_DB - gain, 0.0) if wish.onto and wish.gain is not None else gain
    centre = MIDDLE[voice.stand.role]
    middle = ((voice.place(notes) - centre) / max(centre, 1.0 - centre)) ** 2
    answers = () if voice.stand.role == "snare" else tuple(wire.answer_db(notes) for wire in wires)
    return Facts(numbers, notes, voice.stiffness(notes), middle, gain, (off / ROOM_DB) ** 2, answers)


@dataclass(frozen=True, slots=True)
class WireLines:
    """How a snare drum takes up sound on each of its notes: arrays (notes, lines), Hz and its lower head's part."""

    frequency: Array
    share: Array

    @classmethod
    def of(cls, voice: Voice, notes: Array) -> WireLines:
        """The (0,1) pair of a snare drum on notes (Hz), shape (notes,); one line without a lower head."""
        tension = voice.tension(notes)
        pair = two_heads.pair(voice.shell, tension, voice.bottom_tension(tension))
        share = pair.share[..., BOTTOM] if voice.shell.bottom else np.ones(pair.frequency.shape)
        return cls(pair.frequency, share)

    def answer_db(self, notes: Array) -> Array:
        """How strongly the snare side moves under notes (Hz): dB over what slow pressure does, (own notes, notes).

        Each line answers as a resonance of one degree of freedom, by its head's share of the motion; powers add.
        """
        power = np.zeros((len(self.frequency), notes.size))
        for frequency, share, damping in zip(self.frequency.T, self.share.T, WIRE_DAMPING, strict=False):
            ratio = notes / frequency[:, None]
            power += share[:, None] ** 2 / ((1.0 - ratio**2) ** 2 + (2.0 * damping * ratio) ** 2)
        return np.asarray(10.0 * np.log10(np.maximum(power, 1e-12)))
