"""The part of docs/accuracy.md on moves heard at the rods: finite-element heads turned rod by rod.

The heads and their sound are those of fem_drum, make_takes and rounds_takes, which share no code with the package.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import accuracy
import numpy as np
import rounds_play as play
from numpy.typing import NDArray
from rounds_takes import Takes

from drumtune.advice.made import AS_TOLD, Made, Slip
from drumtune.advice.rounds import Kept, know, plan_round

Floats = NDArray[np.float64]
DRUMS = 10
LEVELS = ("clean", "room", "phone", "open")
TAPS = 3
SLIPS = (AS_TOLD, Slip(0.0), Slip(-1.0), Slip(2.0), Slip(1.0, 1))
KINDS = ("as told", "not turned", "the other way", "twice as far", "at the next rod")
READ_SD = 3.0
"""Deviation of the pulls that the plan rests on, cents."""
HEAD = ("level", "steps", "error, median / 90 %", *KINDS, "another claimed")
PROSE = """`python tests/bench/accuracy.py moves`. Ten hidden drums of `rounds.py` (6, 8 and 10 rods, 60 to 180
cents uneven, a turn doing half to twice what sizes say), each with the moves that the program plans for a first round,
made with an error of 5 %, and one of them, drawn at random, in turn as told, not at all, the other way, twice as far or
at the next rod. Three taps at each rod for the take, three at the rod told after each move, 4 mm off the mark both ways
(standard deviation); finite elements, levels as under "Pulls at the rods". A step's error is the change heard of the
head as a whole less the mean over the rods of what their own pitches did, in cents. Then, of the rounds with each
mistake, those in which the program, knowing the drum by its sizes alone, claims it and nothing else; and of all, those
in which it claims another."""


@dataclass(frozen=True, slots=True)
class Round:
    """What was made of which move, the true steps of the whole head, and what the program says."""

    slip: Slip
    place: int
    steps: Floats
    made: tuple[Made, ...]

    @property
    def found(self) -> bool:
        """Whether what was made, and nothing else, is claimed."""
        claimed = [one.likely if one.wrong else AS_TOLD for one in self.made]
        return claimed == [self.slip if place == self.place else AS_TOLD for place in range(len(claimed))]

    @property
    def claims(self) -> bool:
        """Whether any mistake is claimed."""
        return any(one.wrong for one in self.made)


def moves(_: list[Path]) -> str:
    """Measure, and put the part together."""
    rows = [_row(level, [_round(number, level) for number in range(DRUMS)]) for level in LEVELS]
    return accuracy.section("Moves heard at the rods", PROSE, accuracy.table(HEAD, rows))


def _round(number: int, level: str) -> Round:
    """Plan, turn the rods of a drum, record, listen."""
    hidden = play.world.hidden_drum(5000 + number, play.RODS[number % 3])
    rods, rng = hidden.drum.rods, np.random.default_rng([number, 5])
    read = hidden.cents - hidden.cents.mean() + READ_SD * rng.standard_normal(rods)
    kept = Kept(read - read.mean(), READ_SD**2 * np.eye(rods), hidden.frequency, 0.02, hidden.tension)
    known = know(hidden.drum, [kept])
    told = plan_round(known, hidden.drum, hidden.tension, "uneven").moves
    place, slip = int(rng.integers(len(told))), SLIPS[number % len(SLIPS)]
    states = [hidden.cents]
    for order, move in enumerate(told):
        made = slip if order == place else AS_TOLD
        turn = made.factor * move.signed * (1.0 + play.world.SLOPPY * rng.standard_normal())
        states.append(states[-1] + turn * hidden.matrix[:, (move.rod - 1 + made.beside) % rods])
    takes = Takes(hidden, 5000 + number, level=level)
    takes.record(TAPS)
    heard = takes.hear_after(np.array(states), told, known)
    print(f"{level} {number + 1}", flush=True)
    return Round(slip, place, np.diff([state.mean() for state in states]), heard)


def _row(level: str, rounds: list[Round]) -> tuple[str, ...]:
    error = np.abs(np.concatenate([[made.heard_cents for made in one.made] - one.steps for one in rounds]))
    counts = []
    for slip in SLIPS:
        mine = [one.found for one in rounds if one.slip == slip]
        counts.append(f"{sum(mine)} of {len(mine)}")
    return (
        level,
        str(error.size),
        f"{np.median(error):.1f} / {np.percentile(error, 90):.1f}",
        *counts,
        f"{sum(one.claims and not one.found for one in rounds)} of {len(rounds)}",
    )
