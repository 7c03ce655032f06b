"""The part of docs/accuracy.md on moves heard in the middle: finite-element heads turned rod by rod.

The heads and their sound are those of fem_drum, make_takes and rounds_takes, which share no code with the package.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import accuracy
import numpy as np
import rounds_play as play
from numpy.typing import NDArray
from rounds_takes import MIDDLE_TAPS, Takes

from drumtune.advice.made import Made, computed_line, moves_made
from drumtune.advice.turns import Move
from drumtune.drum import Drum
from drumtune.dsp.middle import Course, follow_middle
from drumtune.dsp.taps import find_taps
from drumtune.physics import air
from drumtune.physics.rods import rod_response

Floats = NDArray[np.float64]
DRUMS, MOVES = 12, 5
LEVELS = ("clean", "room", "phone", "open")
SIZES = (1 / 4, 1 / 8, 1 / 16)
HEAD = (
    "level", "steps", "error, rms / worst", "z rms", "blamed wrongly",
    *(f"the other way, {size}" for size in ("1/4", "1/8", "1/16")),
    *(f"left out, {size}" for size in ("1/4", "1/8", "1/16")),
)  # fmt: skip
STILL = 3
"""Place of the stop at which nothing had been turned since the one before."""
PROSE = """`python tests/bench/accuracy.py moves`. Twelve hidden drums of `rounds.py` (6, 8 and 10 rods, 60 to 180
cents uneven, a turn doing half to twice what sizes say), five rods of each turned by 1/16, 1/8 or 1/4, three taps in
the middle before the first move and after each, and three more when nothing was turned, 8 mm off it both ways
(standard deviation); finite elements, levels as under "Pulls at the rods". A step's error is what was heard less the
mean over the rods of what their own pitches did, in cents; z is it over the stated deviation, which is that of
the sound alone: what an uneven head adds in second order, up to a tenth of the step, is not in it. Then the program is
told
that one of the moves, each in turn, should have been the other way, or that a sixth one of some size should have been
made when nothing was: how many of these mistakes it claims, and no others, knowing the drum by its sizes alone. Blamed
wrongly: moves made as told that it claims were not."""


@dataclass(frozen=True, slots=True)
class Round:
    """Signed turns made (MOVES), the rods by place, true steps of the whole head, and what was heard at all stops."""

    drum: Drum
    frequency: float
    made: Floats
    rods: NDArray[np.int64]
    steps: Floats
    course: Course

    def judged(self, told: Floats) -> tuple[Made, ...]:
        """What the program says when it is told these signed turns; of MOVES, the spare stop is left out."""
        course, rods = self.course, np.insert(self.rods, STILL, self.rods[0])
        if told.size == MOVES:
            keep = np.delete(np.arange(MOVES + 1), STILL)
            course = replace(course, cents=course.cents[keep], covariance=course.covariance[np.ix_(keep, keep)])
            rods = self.rods
        plan = [
            Move(place, int(rod) + 1, "raise" if turn > 0.0 else "lower", abs(float(turn)))
            for place, (rod, turn) in enumerate(zip(rods, told, strict=True), start=1)
        ]
        tension = float(air.tension(self.drum.head, self.frequency, 1, 1))
        return moves_made(course, plan, rod_response(self.drum, tension))


def moves(_: list[Path]) -> str:
    """Measure, and put the part together."""
    rows = [_row(level, [_round(number, level) for number in range(DRUMS)]) for level in LEVELS]
    return accuracy.section("Moves heard in the middle", PROSE, accuracy.table(HEAD, rows))


def _round(number: int, level: str) -> Round:
    """Turn the rods of a drum, record, listen."""
    hidden = play.world.hidden_drum(5000 + number, play.RODS[number % 3])
    rng = np.random.default_rng([number, 5])
    off = hidden.cents - hidden.cents.mean()
    rods = np.argsort(-np.abs(off))[:MOVES]
    made = -np.sign(off[rods]) * rng.choice(SIZES, MOVES)
    changes = np.insert(hidden.matrix[:, rods] * made, STILL, 0.0, axis=1).T
    states = hidden.cents + np.cumsum(np.vstack([np.zeros(off.size), changes]), axis=0)
    sound, rate = Takes(hidden, 5000 + number).record_middle(states, level)
    stops = np.repeat(np.arange(MOVES + 2), MIDDLE_TAPS)
    onsets = np.array([tap.onset for tap in find_taps(sound, rate, stops.size).taps])
    near, decay_rate = computed_line(hidden.drum, hidden.tension)
    course = follow_middle(sound, rate, onsets, stops, near=near, decay_rate=decay_rate)
    print(f"{level} {number + 1}", flush=True)
    steps = np.delete(np.diff(states.mean(axis=1)), STILL)
    return Round(hidden.drum, hidden.frequency, made, rods, steps, course)


def _row(level: str, rounds: list[Round]) -> tuple[str, ...]:
    plain = [one.judged(one.made) for one in rounds]
    error = np.array([[made.heard_cents for made in row] for row in plain]) - [one.steps for one in rounds]
    z = error / np.array([[made.heard_sd_cents for made in row] for row in plain])
    blamed = sum(made.missing != 0.0 for row in plain for made in row)
    other = {size: [0, 0] for size in SIZES}
    for one in rounds:
        for place, turn in enumerate(one.made):
            told = one.made * np.where(np.arange(MOVES) == place, -1.0, 1.0)
            count = other[abs(float(turn))]
            count[0] += _claimed(one.judged(told), place, -2.0 * turn)
            count[1] += 1
    left_out = [
        sum(_claimed(one.judged(np.insert(one.made, STILL, size)), STILL, size) for one in rounds) for size in SIZES
    ]
    return (
        level,
        str(error.size),
        f"{np.sqrt(np.mean(error**2)):.1f} / {np.abs(error).max():.1f}",
        f"{np.sqrt(np.mean(z**2)):.2f}",
        f"{blamed} of {error.size}",
        *(f"{found} of {count}" for found, count in other.values()),
        *(f"{found} of {len(rounds)}" for found in left_out),
    )


def _claimed(made: tuple[Made, ...], place: int, missing: float) -> bool:
    """Whether this one mistake, and no other, is claimed, for what it is."""
    return all(np.isclose(one.missing, missing if i == place else 0.0) for i, one in enumerate(made))
