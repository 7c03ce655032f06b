"""How this drum answers its rods, learned from rounds: readings with the turns made between them.

One linear Gaussian state holds the pitch at every rod (cents, absolute, against the first reading) and the gain of
every rod harmonic over the gain to be expected from sizes (ratio, prior 1 with the covariance of
``drumtune.physics.rods``). Turns move the pitches by the gains; a reading measures the pitches. Both are linear in the
state, so the update is exact, successive readings add up, and a reading that ends one pair and begins the next is
counted once. Mistakes of the player are hypotheses beside "as told", weighed by how well they foretell the reading.
The equations stand in docs/physics.md, section "Learning a drum". Turns in full turns, signed: up is tighter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.rod_state import (
    LEAST_RATIO,
    MOST_RATIO,
    Seen,
    State,
    begin,
    forgotten,
    joined,
    matrix,
    measured,
    possible,
    predicted,
    shifted,
    tilt_share,
)
from drumtune.advice.slips import OTHER_TURN, POOR, Story, stories
from drumtune.drum import Drum
from drumtune.physics.rods import RodResponse, rod_response

Floats = NDArray[np.float64]
LIKELY = 0.7
"""Probability from which a mistake is told."""
SURPRISE = 3.0
"""Deviations from which a change that nobody made is told."""
SILENT_SHARE = 0.5
"""A rod that gives less than this share of what it should, by two deviations, is said not to answer."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A round in which one rod (or, with rod 0, all of them) was probably not turned as told.

    `place` counts the readings from 0: the reading that showed it. `told` and `likely` are signed turns of that rod;
    `instead` is the rod that was turned in its place, or 0.
    """

    place: int
    rod: int
    told: float
    likely: float
    probability: float
    instead: int = 0


@dataclass(frozen=True, slots=True)
class Moved:
    """A reading unlike those before it though nothing was turned; `place` as of `Doubt`, changes in cents.

    `level_cents` is the change of the head as a whole, 0 where the readings leave it open; so is `pull_cents`, the
    largest change of a pull, and `rod` where it is.
    """

    place: int
    level_cents: float = 0.0
    pull_cents: float = 0.0
    rod: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """What a rod gave of what it should have given, 1 being as the others do, over `rounds` rounds."""

    rod: int
    share: float
    share_sd: float
    rounds: int

    @property
    def silent(self) -> bool:
        """Whether the rod does not answer: two rounds at least, and too little by two deviations."""
        return self.rounds >= 2 and self.share + 2.0 * self.share_sd < SILENT_SHARE


@dataclass(frozen=True, slots=True)
class Learned:
    """The drum after all rounds so far.

    Parameters
    ----------
    response
        Gains and their covariance now, for the plan.
    ratio, ratio_covariance
        Shapes (K,) and (K, K): learned gains over those to be expected from sizes.
    pulls, covariance
        Shapes (N,) and (N, N): pulls now, all readings counted, mean taken off.
    level_cents, level_sd_cents
        Pitch of the head as a whole now, against the reference of the readings.
    pairs
        Pairs of readings with known turns between them that the gains rest on.
    waiting
        Shape (N,), cents: change that friction is expected to let through yet.
    doubts, answers, moved
        Rounds not turned as told; what each turned rod gave; heads that changed though nothing was turned.
    """

    response: RodResponse
    ratio: Floats
    ratio_covariance: Floats
    pulls: Floats
    covariance: Floats
    level_cents: float
    level_sd_cents: float
    pairs: int
    waiting: Floats
    doubts: tuple[Doubt, ...] = ()
    answers: tuple[Answer, ...] = ()
    moved: tuple[Moved, ...] = ()


@dataclass(slots=True)
class _Ledger:
    """Evidence on single rods gathered over rounds: sums of t^2/var and t e/var, and rounds."""

    weight: Floats
    moment: Floats
    rounds: NDArray[np.int_]
    doubts: list[Doubt] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)


def learn(drum: Drum, seen: Sequence[Seen], prior: RodResponse | None = None) -> Learned:
    """Learn gains and present pitches from readings in the order they were made.

    Parameters
    ----------
    drum
        The stand.
    seen
        Readings, oldest first; `turned` of the first is not used.
    prior
        Response to start from at the tension of the first reading; that of the stand's sizes when None.

    Raises
    ------
    ValueError
        If there is no reading, or a shape does not fit the rods.

    Notes
    -----
    Does not learn that rods answer differently from one another: that is told in `answers`, and planned around by
    the next reading.
    """
    if not seen:
        raise ValueError("there must be a reading to learn from")
    for one in seen:
        _check(one, drum.rods)
    base = prior or rod_response(drum, seen[0].tension)
    per_tension = base.gains * seen[0].tension
    state = begin(seen[0], base)
    ledger = _Ledger(np.zeros(drum.rods), np.zeros(drum.rods), np.zeros(drum.rods, dtype=int))
    pairs, before = 0, np.zeros(drum.rods)
    for place, one in enumerate(seen[1:], start=1):
        state = shifted(state, one.drift_cents, drum.rods)
        if one.turned is None:
            state = forgotten(state, one, tilt_share(base))
            state, before = measured(state, one)[0], np.zeros(drum.rods)
            continue
        gains = per_tension / seen[place - 1].tension
        state, before = _turned(state, one, gains, before, (place, ledger))
        pairs += bool(np.any(one.turned))
    return _learned(state, per_tension / seen[-1].tension, pairs, (ledger, before))


def _check(one: Seen, rods: int) -> None:
    shapes = [one.pulls.shape, one.covariance.shape, (rods,) if one.turned is None else one.turned.shape]
    if shapes != [(rods,), (rods, rods), (rods,)]:
        raise ValueError(f"{rods} rods need pulls, covariance and turns of that size, got {shapes}")


def _turned(state: State, one: Seen, gains: Floats, before: Floats, book: tuple[int, _Ledger]) -> tuple[State, Floats]:
    """State after a round and its reading, all stories weighed; and the change the round made."""
    assert one.turned is not None
    rods = one.turned.size
    told = list(stories(one.turned, one.said))
    ends, logs = [], []
    for story in told:
        ahead = predicted(state, story, gains, before)
        end, log = measured(ahead, one, POOR if story.poor else 1.0)
        ends.append(end)
        logs.append(log + math.log(story.chance * possible(end, rods)))
        if story.free and one.turned[story.rod - 1] != 0.0:
            _note_answer(book[1], story.rod, one.turned[story.rod - 1], _free_turn(ahead, one, gains, story.rod))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    _note_doubt(book, told, weight, one.turned)
    if not np.any(one.turned):
        _note_moved(book, predicted(state, told[0], gains, before), one)
    end = joined(ends, weight)
    likely = np.average([story.turned for story in told], axis=0, weights=weight)
    return end, np.asarray(matrix(end, gains, rods) @ likely)


def _free_turn(ahead: State, one: Seen, gains: Floats, rod: int) -> tuple[float, float]:
    """Turn of a rod beyond what was told and its variance, the story being that it was turned by another amount."""
    rods = one.pulls.size
    shape = matrix(ahead, gains, rods)[:, rod - 1]
    seen = ahead.covariance[:rods, :rods] + one.covariance + one.level_sd_cents**2 + 1e-6 * np.eye(rods)
    off = one.pulls + one.level_cents - ahead.mean[:rods]
    pull = np.linalg.solve(seen, OTHER_TURN**2 * shape)
    return float(pull @ off), max(OTHER_TURN**2 * (1.0 - float(shape @ pull)), 1e-8)


def _note_answer(ledger: _Ledger, rod: int, told: float, beyond: tuple[float, float]) -> None:
    """Add one round's evidence on a rod, the prior on the free turn taken out again."""
    mean, variance = beyond
    information = 1.0 / variance - 1.0 / OTHER_TURN**2
    if information <= 0.0:
        return
    estimate = mean / variance / information
    ledger.weight[rod - 1] += told**2 * information
    ledger.moment[rod - 1] += told * (told + estimate) * information
    ledger.rounds[rod - 1] += 1


def _note_doubt(book: tuple[int, _Ledger], told: Sequence[Story], weight: Floats, turned: Floats) -> None:
    """Write down the rod that was probably not turned as told, all stories about it counted together."""
    place, ledger = book
    for rod in sorted({(story.rod, story.instead < 0) for story in told} - {(0, False)}):
        about = [i for i, story in enumerate(told) if (story.rod, story.instead < 0) == rod]
        probability = float(weight[about].sum())
        if probability < LIKELY:
            continue
        best = told[max(about, key=lambda i: float(weight[i]))]
        at = best.rod - 1
        if best.rod == 0:
            ledger.doubts.append(Doubt(place, 0, 0.0, 0.0, probability))
        else:
            likely = math.nan if best.free else float(best.turned[at])
            ledger.doubts.append(Doubt(place, best.rod, float(turned[at]), likely, probability, best.instead))


def _note_moved(book: tuple[int, _Ledger], ahead: State, one: Seen) -> None:
    """Write down a head that changed though nothing was turned, beyond what readings, drift and friction leave open.

    One rod in doubt accounts for pulls that changed, but not for a whole head whose pulls stayed as they were.
    """
    place, ledger = book
    rods = one.pulls.size
    off = one.pulls + one.level_cents - ahead.mean[:rods]
    open_ = ahead.covariance[:rods, :rods] + one.covariance + one.level_sd_cents**2
    level = float(off.mean())
    whole = abs(level) > SURPRISE * math.sqrt(float(open_.mean()))
    uneven = _surprising(off - level, open_)
    if whole and not uneven:
        ledger.doubts = [doubt for doubt in ledger.doubts if doubt.place != place]
    if any(doubt.place == place for doubt in ledger.doubts):
        uneven = False
    most = int(np.abs(off - level).argmax())
    pull, rod = (float(off[most] - level), most + 1) if uneven else (0.0, 0)
    if whole or uneven:
        ledger.moved.append(Moved(place, level if whole else 0.0, pull, rod))


def _surprising(off: Floats, covariance: Floats) -> bool:
    """Whether pulls (N,) of mean zero lie further off than one number does at `SURPRISE` deviations."""
    from scipy.special import chdtrc

    rods = off.size
    middle = np.eye(rods) - 1.0 / rods
    square = float(off @ np.linalg.solve(middle @ covariance @ middle + 1.0 / rods, off))
    return bool(chdtrc(rods - 1, square) < math.erfc(SURPRISE / math.sqrt(2.0)))


def _learned(state: State, gains: Floats, pairs: int, book: tuple[_Ledger, Floats]) -> Learned:
    """Everything told, from the last state."""
    ledger, change = book
    rods = ledger.rounds.size
    ratio = np.clip(state.mean[rods:-1], LEAST_RATIO, MOST_RATIO)
    spread = state.covariance[rods:-1, rods:-1]
    pitch, covariance = state.mean[:rods], state.covariance[:rods, :rods]
    middle = np.eye(rods) - 1.0 / rods
    answers = tuple(
        Answer(
            i + 1, float(ledger.moment[i] / ledger.weight[i]), float(ledger.weight[i] ** -0.5), int(ledger.rounds[i])
        )
        for i in range(rods)
        if ledger.weight[i] > 0.0
    )
    response = RodResponse(rods, gains * ratio, spread / np.outer(ratio, ratio))
    return Learned(
        response=response,
        ratio=ratio,
        ratio_covariance=spread,
        pulls=middle @ pitch,
        covariance=middle @ covariance @ middle,
        level_cents=float(pitch.mean()),
        level_sd_cents=math.sqrt(max(float(covariance.mean()), 0.0)),
        pairs=pairs,
        waiting=min(max(float(state.mean[-1]), 0.0), 0.5) * change,
        doubts=tuple(ledger.doubts),
        answers=answers,
        moved=tuple(ledger.moved),
    )
