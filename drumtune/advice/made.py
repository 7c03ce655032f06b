"""Which moves were made as told, by the pitch of the whole head after each.

A turn of any rod moves the head's mean tension by the same amount, so the pitch in the middle tells how far and which
way something was turned, not which rod. Moves of one round share what a turn does to this drum, which the log knows
more or less; mistakes are weighed as accounts beside "as told" (drumtune.advice.slips). Turns in full turns, signed: up
is tighter. The equations stand in docs/physics.md, section "Moves heard in the middle".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from drumtune.advice.reading import Reading
from drumtune.advice.slips import MISTAKE
from drumtune.advice.turns import Move
from drumtune.drum import Drum
from drumtune.dsp.middle import Course, follow_middle
from drumtune.errors import TakeError
from drumtune.physics.rods import RodResponse
from drumtune.physics.synthesis import sounding_head

Floats = NDArray[np.float64]
KINDS = (0.0, -1.0, 2.0)
"""What a mistake makes of a turn: nothing, the other way, twice."""
MIDDLE_TAPS = 3
"""Taps in the middle that are asked for before the first move and after each."""
SURE = 0.9
"""Probability from which a move is said not to have been made as told."""
MOST_LEFT = 0.3
"""Share of a tap's rms that the line may leave: noise leaves 0.7, drums in noisy rooms 0.05."""
UNLIKELY = 1e-6
"""Chance of what was heard under the best account, below which the taps are not taken for taps in the middle."""
OWN = 1.0
"""Deviation in cents of one step beyond turns and sound: what an uneven head adds, friction (our own; our own
finite-element heads)."""
SHARE = 0.1
"""The same as a share of the step."""
RATIOS = np.geomspace(0.2, 4.0, 61)
"""What a turn may do to the whole head, over what is expected of it."""


@dataclass(frozen=True, slots=True)
class Made:
    """One move and what was heard of it.

    Parameters
    ----------
    move
        As told.
    heard_cents, heard_sd_cents
        Change of the head's pitch on the move, and its deviation.
    expected_cents
        What the move makes of it on this drum, all moves of the round counted.
    likely
        Signed turns that were most likely made.
    probability
        Of that account of this move.
    sure
        Whether `likely` may be relied on; where not, the move counts as made as told.
    """

    move: Move
    heard_cents: float
    heard_sd_cents: float
    expected_cents: float
    likely: float
    probability: float
    sure: bool

    @property
    def told(self) -> float:
        """Signed turns asked for."""
        return self.move.signed

    @property
    def audible(self) -> bool:
        """Whether a move of that size can be told from none: by two deviations."""
        return abs(self.expected_cents) > 2.0 * math.hypot(self.heard_sd_cents, OWN)

    @property
    def missing(self) -> float:
        """Signed turns that put the rod right: 0 where it was turned as told, or nothing surer is known."""
        return self.told - self.likely if self.sure else 0.0


def moves_made(course: Course, moves: Sequence[Move], response: RodResponse) -> tuple[Made, ...]:
    """Judge every move by the pitch of the head before the first and after each.

    Parameters
    ----------
    course
        Pitch after each move against that before the first.
    moves
        In the order they were made.
    response
        What a turn does to this drum as far as is known.

    Raises
    ------
    ValueError
        If there are no moves, or not a pitch for each.
    TakeError
        ``"unlike"``: no account of the moves foretells such pitches.
    """
    if not moves or course.cents.size != len(moves):
        raise ValueError(f"each of {len(moves)} moves wants a pitch, got {course.cents.size}")
    told = np.array([move.signed for move in moves])
    step = np.eye(told.size) - np.eye(told.size, k=-1)
    heard, spread = step @ course.cents, step @ course.covariance @ step.T
    accounts = np.array(_accounts(told.size))
    one = response.gains[0] / response.rods
    logs, square = _log_evidence(heard, spread, one * told * accounts, float(response.relative_sd[0]))
    if float(chdtrc(told.size, square.min())) < UNLIKELY:
        worst = int(np.abs(heard).argmax())
        raise TakeError(
            f"the head's pitch went by {heard[worst]:+.0f} cents on move {moves[worst].order}, which such turns cannot "
            "do: tap in the middle of the head, gently and always alike, and leave the microphone where it is",
            reason="unlike",
            estimate=course,
        )
    logs += np.log(MISTAKE) * (accounts != 1.0).sum(axis=1)
    joint = np.exp(logs - logs.max())
    joint /= joint.sum()
    weight, ratio = joint.sum(axis=0), float(RATIOS @ joint.sum(axis=1))
    made = []
    for place, move in enumerate(moves):
        chance = {kind: float(weight[accounts[:, place] == kind].sum()) for kind in (1.0, *KINDS)}
        kind = max(chance, key=lambda kind: chance[kind])
        sd, expected = math.sqrt(spread[place, place]), ratio * one * float(told[place])
        likely, sure = float(kind * told[place]), chance[kind] > SURE
        made.append(Made(move, float(heard[place]), sd, expected, likely, chance[kind], sure))
    return tuple(made)


def hear_moves(
    samples: Floats,
    rate: float,
    onsets: Floats,
    moves: Sequence[Move],
    response: RodResponse,
    line: tuple[float, float],
) -> tuple[Course, tuple[Made, ...]]:
    """Judge moves by taps in the middle, as many before the first as after each.

    Parameters
    ----------
    samples, rate
        One channel, shape (samples,), and its rate in Hz.
    onsets
        First motion of the taps, s, shape (S,), S a multiple of the moves and one more.
    moves, response
        As of `moves_made`.
    line
        About where (0,1) lies, Hz, and how fast it dies, 1/s.

    Raises
    ------
    ValueError
        As `moves_made` and `follow_middle`.
    TakeError
        ``"unlike"``: the taps are not of the middle.
    """
    stops = np.repeat(np.arange(len(moves) + 1), onsets.size // (len(moves) + 1))
    near, decay_rate = line
    course = follow_middle(samples, rate, onsets, stops, near=near, decay_rate=decay_rate)
    if course.left > MOST_LEFT:
        raise TakeError(
            f"the taps have no line in common near {near:.0f} Hz, where (0,1) should be: tap in the middle of the "
            "head, gently, with the microphone near",
            reason="unlike",
            estimate=course,
        )
    return course, moves_made(course, moves, response)


def missing_turns(made: Sequence[Made], rods: int) -> Floats:
    """Signed turns that put every rod right, shape (rods,)."""
    turns = np.zeros(rods)
    for one in made:
        turns[one.move.rod - 1] += one.missing
    return turns


def lowest_line(reading: Reading) -> tuple[float, float]:
    """Where (0,1) of a head lies, Hz, and how fast it dies, 1/s: as read, or where it was not found, as computed."""
    for mode in reading.modes:
        if (mode.m, mode.n) == (0, 1) and mode.frequency_hz > 0.0 and math.isfinite(mode.decay_s):
            return mode.frequency_hz, math.log(1000.0) / mode.decay_s
    return computed_line(reading.drum, reading.tension)


def computed_line(drum: Drum, tension: float) -> tuple[float, float]:
    """The same of an even head at a mean tension (N/m)."""
    head = sounding_head(drum, np.zeros(drum.rods), tension, count=1)
    return float(head.frequencies[0]), float(head.decay_rates[0])


def _accounts(moves: int) -> list[Floats]:
    """What up to two mistakes make of each turn, as factors, shape (moves,) each."""
    found = [np.ones(moves)]
    for mistakes in (1, 2):
        for places in combinations(range(moves), mistakes):
            for kinds in product(KINDS, repeat=mistakes):
                one = np.ones(moves)
                one[list(places)] = kinds
                found.append(one)
    return found


def _log_evidence(heard: Floats, spread: Floats, expected: Floats, ratio_sd: float) -> tuple[Floats, Floats]:
    """Log evidence of the steps heard (M,) at each of `RATIOS` for each account's steps (A, M), and chi-square.

    Both have the shape (R, A); the belief in the ratio counts in the first alone. The first account is "as told".
    """
    as_told = RATIOS[:, None] * expected[0]
    noise = spread + np.eye(heard.size) * (OWN**2 + np.square(SHARE * as_told))[:, None, :]
    off = heard - RATIOS[:, None, None] * expected
    square = np.einsum("ram,rma->ra", off, np.linalg.solve(noise, off.transpose(0, 2, 1)))
    believed = np.log(RATIOS) - 0.5 * np.square(
        (RATIOS - 1.0) / ratio_sd
    )  # RATIOS stand as far apart as they are large
    return np.asarray((believed - 0.5 * np.linalg.slogdet(noise)[1])[:, None] - 0.5 * square), np.asarray(square)
