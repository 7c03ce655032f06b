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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Drum
from drumtune.physics.rods import RodResponse, harmonic_projectors, rod_response

Floats = NDArray[np.float64]
SLOPPY = 0.05
"""Relative deviation of a turn made by hand from the turn meant (our own, no source)."""
MISFIT = 0.08
"""Deviation of what a rod shows from the same response at all rods, as a share of the change (our own, no source)."""
LAG, LAG_SD = 0.08, 0.07
"""Share of a round's change that friction lets through only in the next, and its deviation, before anything is heard
(our own, no source)."""
DRIFT = 1.0
"""Deviation in cents per rod by which a head settles between two readings of a session (our own, no source)."""
LEVEL_DRIFT = 5.0
"""The same for the head as a whole."""
MISTAKE = 0.01
"""Chance per rod and kind that it was not turned as told: not at all, its neighbour instead, the wrong way, or by
another amount (our own, no source)."""
NOTHING_DONE = 0.03
"""Chance that nothing was turned where the player has not said so."""
POOR_READING = 0.05
"""Chance that a reading is worse than it says, its covariance `POOR` times what it states (our own)."""
POOR = 6.0
OTHER_TURN = 1.0 / 8.0
"""Deviation in turns of "another amount"."""
LIKELY = 0.7
"""Probability from which a mistake is told."""
SILENT_SHARE = 0.5
"""A rod that gives less than this share of what it should, by two deviations, is said not to answer."""
LEAST_RATIO, MOST_RATIO = 0.2, 4.0
"""Limits of a learned gain over the expected one."""
CHECKS = 500
"""Draws from which the chance is taken that the gains of an account can be."""
UNKNOWN = 1e6
"""Variance in cents squared of a pitch nothing is known about."""
LEAST_TILT = 2.0
"""Deviation in cents at a rod that one-sided tension is given at least before anything is heard (our own)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One reading as learning needs it, and what was done before it.

    Parameters
    ----------
    pulls, covariance
        Shapes (N,) and (N, N): pulls in cents against the mean, and their covariance.
    level_cents, level_sd_cents
        Pitch of the head as a whole against any fixed reference (the same for all readings), and its deviation.
    tension
        Mean tension, N/m: the gain in cents goes as one over it.
    turned
        Shape (N,), signed turns made since the reading before; None where that is not known.
    said
        Whether the player said what was turned; otherwise it was assumed from the plan.
    drift_cents
        Shift of the whole head to be expected since the reading before, for warmth.
    """

    pulls: Floats
    covariance: Floats
    level_cents: float
    level_sd_cents: float
    tension: float
    turned: Floats | None = None
    said: bool = False
    drift_cents: float = 0.0


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
    doubts, answers
        Rounds not turned as told; what each turned rod gave.
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


@dataclass(frozen=True, slots=True)
class _State:
    """Mean and covariance of pitches (N), ratios (K) and the lag (1) together."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class _Story:
    """One account of a round: signed turns, the chance beforehand, the rod in question, whether its turn is free.

    `instead` is the rod turned in its place, or -1 where nothing was turned; `poor` blames the reading.
    """

    turned: Floats
    chance: float
    rod: int = 0
    instead: int = 0
    free: bool = False
    poor: bool = False


@dataclass(slots=True)
class _Ledger:
    """Evidence on single rods gathered over rounds: sums of t^2/var and t e/var, and rounds."""

    weight: Floats
    moment: Floats
    rounds: NDArray[np.int_]
    doubts: list[Doubt] = field(default_factory=list)


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
    state = _begin(seen[0], base)
    ledger = _Ledger(np.zeros(drum.rods), np.zeros(drum.rods), np.zeros(drum.rods, dtype=int))
    pairs, before = 0, np.zeros(drum.rods)
    for place, one in enumerate(seen[1:], start=1):
        state = _shifted(state, one.drift_cents, drum.rods)
        if one.turned is None:
            state = _forgotten(state, one, tilt_share(base))
            state, before = _measured(state, one)[0], np.zeros(drum.rods)
            continue
        gains = per_tension / seen[place - 1].tension
        state, before = _turned(state, one, gains, before, (place, ledger))
        pairs += bool(np.any(one.turned))
    return _learned(state, per_tension / seen[-1].tension, pairs, (ledger, before))


def _check(one: Seen, rods: int) -> None:
    shapes = [one.pulls.shape, one.covariance.shape, (rods,) if one.turned is None else one.turned.shape]
    if shapes != [(rods,), (rods, rods), (rods,)]:
        raise ValueError(f"{rods} rods need pulls, covariance and turns of that size, got {shapes}")


def _begin(one: Seen, base: RodResponse) -> _State:
    """State after the first reading."""
    rods, gains, relative = one.pulls.size, base.gains.size, base.relative_covariance
    covariance = np.zeros((rods + gains + 1, rods + gains + 1))
    covariance[:rods, :rods] = _unknown(one, tilt_share(base))
    covariance[rods:-1, rods:-1] = relative
    covariance[-1, -1] = LAG_SD**2
    mean = np.concatenate([np.full(rods, one.level_cents), np.ones(gains), [LAG]])
    return _measured(_State(mean, covariance), one)[0]


def _shifted(state: _State, cents: float, rods: int) -> _State:
    """State after the whole head drifted by an expected amount, known to half."""
    mean, covariance = state.mean.copy(), state.covariance.copy()
    mean[:rods] += cents
    covariance[:rods, :rods] += (0.5 * cents) ** 2
    return _State(mean, covariance)


def _forgotten(state: _State, one: Seen, share: float) -> _State:
    """State that keeps the gains and knows nothing of the pitches any more, before a reading."""
    rods = one.pulls.size
    covariance = state.covariance.copy()
    covariance[:rods, :] = covariance[:, :rods] = 0.0
    covariance[:rods, :rods] = _unknown(one, share)
    middle = np.full(rods, state.mean[:rods].mean())
    return _State(np.concatenate([middle, state.mean[rods:]]), covariance)


def tilt_share(response: RodResponse) -> float:
    """Size of one-sided tension to be expected, over that of the rest, on a head that its rods have put out of tune.

    Turns of any pattern alike make of each harmonic what its gain makes of it; that of harmonic 1 is small
    ("Rods and hoops" in docs/physics.md).
    """
    patterns = np.trace(harmonic_projectors(response.rods), axis1=1, axis2=2)
    square = patterns * response.gains**2 * (1.0 + np.diagonal(response.relative_covariance))
    return math.sqrt(float(square[1] / square[2:].sum()))


def _unknown(one: Seen, share: float) -> Floats:
    """Covariance of pitches nothing is known about but that one-sided tension has its share of the rest, (N, N).

    The rest shows the size of what was turned with its N - 3 numbers only, so its share is spread as Student's t.
    """
    rods = one.pulls.size
    free = max(rods - 3, 3)
    tilt = harmonic_projectors(rods)[1]
    rest = one.pulls - tilt @ one.pulls
    variance = LEAST_TILT**2 + share**2 * free / (free - 2) * float(np.mean(rest**2))
    return np.asarray(UNKNOWN * (np.eye(rods) - tilt) + variance * 0.5 * rods * tilt)


def _measured(state: _State, one: Seen, times: float = 1.0) -> tuple[_State, float]:
    """State after a reading whose covariance is `times` what it says, and the log likelihood of the reading."""
    rods = one.pulls.size
    noise = times * one.covariance + one.level_sd_cents**2
    off = one.pulls + one.level_cents - state.mean[:rods]
    seen = state.covariance[:rods, :rods] + noise + 1e-6 * np.eye(rods)
    lower = np.linalg.cholesky(0.5 * (seen + seen.T))
    white = np.linalg.solve(lower, np.column_stack([off, state.covariance[:rods, :]]))
    mean = state.mean + white[:, 1:].T @ white[:, 0]
    covariance = state.covariance - white[:, 1:].T @ white[:, 1:]
    log = -0.5 * float(white[:, 0] @ white[:, 0]) - float(np.log(np.diagonal(lower)).sum())
    return _State(mean, 0.5 * (covariance + covariance.T)), log


def _effects(gains: Floats, turned: Floats) -> Floats:
    """What each harmonic does to each rod at ratio 1, shape (N, K)."""
    return np.asarray((gains[:, None] * (harmonic_projectors(turned.size) @ turned)).T)


def _matrix(state: _State, gains: Floats, rods: int) -> Floats:
    """Cents at rod i for one turn of rod j as now known, shape (N, N)."""
    ratio = np.clip(state.mean[rods:-1], LEAST_RATIO, MOST_RATIO)
    return np.asarray(np.tensordot(gains * ratio, harmonic_projectors(rods), 1))


def _predicted(state: _State, story: _Story, gains: Floats, before: Floats) -> _State:
    """State after the turns of a story, before the reading."""
    rods = story.turned.size
    step = np.eye(state.mean.size)
    step[:rods, rods:-1] = _effects(gains, story.turned)
    step[:rods, -1] = before
    covariance = step @ state.covariance @ step.T
    mean = step @ state.mean
    matrix = _matrix(state, gains, rods)
    by_hand = (SLOPPY * story.turned) ** 2
    if story.free:
        by_hand[story.rod - 1] += OTHER_TURN**2
    noise = (matrix * by_hand) @ matrix.T + np.diag((MISFIT * (matrix @ story.turned)) ** 2)
    covariance[:rods, :rods] += noise + DRIFT**2 * np.eye(rods) + LEVEL_DRIFT**2
    return _State(mean, covariance)


def stories(turned: Floats, said: bool) -> Iterator[_Story]:
    """Every account of a round: as told; nothing done; one rod left out, turned the wrong way, mistaken, misjudged."""
    rods = turned.size
    yield _Story(turned, 1.0)
    yield _Story(turned, POOR_READING, poor=True)
    if not said and np.any(turned):
        yield _Story(np.zeros(rods), NOTHING_DONE, instead=-1)
    for rod in range(1, rods + 1):
        yield _Story(turned, MISTAKE, rod, free=True)
        amount = turned[rod - 1]
        if amount == 0.0:
            continue
        for told in (0.0, -amount, 2.0 * amount):
            changed = turned.copy()
            changed[rod - 1] = told
            yield _Story(changed, MISTAKE, rod)
        for other in (rod % rods + 1, (rod - 2) % rods + 1):
            changed = turned.copy()
            changed[rod - 1] = 0.0
            changed[other - 1] += amount
            yield _Story(changed, 0.5 * MISTAKE, rod, other)


def _turned(
    state: _State, one: Seen, gains: Floats, before: Floats, book: tuple[int, _Ledger]
) -> tuple[_State, Floats]:
    """State after a round and its reading, all stories weighed; and the change the round made."""
    assert one.turned is not None
    rods = one.turned.size
    told = list(stories(one.turned, one.said))
    ends, logs = [], []
    for story in told:
        ahead = _predicted(state, story, gains, before)
        end, log = _measured(ahead, one, POOR if story.poor else 1.0)
        ends.append(end)
        logs.append(log + math.log(story.chance * _possible(end, rods)))
        if story.free and one.turned[story.rod - 1] != 0.0:
            _note_answer(book[1], story.rod, one.turned[story.rod - 1], _free_turn(ahead, one, gains, story.rod))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    _note_doubt(book, told, weight, one.turned)
    joined = _joined(ends, weight)
    likely = np.average([story.turned for story in told], axis=0, weights=weight)
    return joined, np.asarray(_matrix(joined, gains, rods) @ likely)


def _possible(state: _State, rods: int) -> float:
    """Chance that no gain lies under `LEAST_RATIO` times the expected one: a rod raised does not lower the pitch.

    The Gaussian state knows no such limit; an account of a round that needs gains beyond it is weighed by this.
    """
    covariance = state.covariance[rods:-1, rods:-1]
    size, axes = np.linalg.eigh(0.5 * (covariance + covariance.T))
    root = axes * np.sqrt(np.maximum(size, 0.0))
    inside = np.all(state.mean[rods:-1] + _normals(size.size) @ root.T > LEAST_RATIO, axis=1)
    return max(float(inside.mean()), 1e-3 / CHECKS)


@lru_cache(maxsize=16)
def _normals(size: int) -> Floats:
    """Normal draws, always the same, shape (CHECKS, size)."""
    table = np.random.default_rng(0).standard_normal((CHECKS, size))
    table.setflags(write=False)
    return table


def _joined(states: Sequence[_State], weight: Floats) -> _State:
    """One state with the mean and covariance of the weighted mixture."""
    means = np.array([state.mean for state in states])
    mean = weight @ means
    off = means - mean
    covariance = np.tensordot(weight, np.array([state.covariance for state in states]), 1) + (off.T * weight) @ off
    return _State(mean, covariance)


def _free_turn(ahead: _State, one: Seen, gains: Floats, rod: int) -> tuple[float, float]:
    """Turn of a rod beyond what was told and its variance, the story being that it was turned by another amount."""
    rods = one.pulls.size
    shape = _matrix(ahead, gains, rods)[:, rod - 1]
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


def _note_doubt(book: tuple[int, _Ledger], told: Sequence[_Story], weight: Floats, turned: Floats) -> None:
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


def _learned(state: _State, gains: Floats, pairs: int, book: tuple[_Ledger, Floats]) -> Learned:
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
    )
