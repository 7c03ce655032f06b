"""The plan: which rods to raise or lower in this round, how far, in which order, and what to expect of it.

Pulls in cents of pitch against the head's mean, turns in full turns of a rod. No published tolerance says how even a
head must be; `EVEN_SPREAD` is our own. The rules stand in docs/physics.md, section "Plan of turns".
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.advice.cautions import cautions_for
from drumtune.advice.reading import Verdict
from drumtune.advice.steps import DEFAULT_PRICES, Prices, Problem, best_steps
from drumtune.drum import Drum
from drumtune.physics.film import safe_share, stress
from drumtune.physics.hearing import smallest_beating_split
from drumtune.physics.rods import RodResponse, rod_response

STEP = 1.0 / 16.0
"""Smallest turn advised as a rule."""
STEPS = (STEP, STEP / 2.0)
"""Smallest turns to plan in; the finer where no round of coarser ones makes the head more even."""
MOST_STEPS = 4
"""Most steps per rod and round: a quarter turn."""
LARGE_STEPS = 2
"""From so many steps on a round goes crosswise; below, round the head (common practice, no source)."""
PAST = Fraction(1, 8)
"""How far a lowered rod is loosened past its mark before it is brought back up (common practice, no source)."""
EVEN_SPREAD = 20.0
"""Spread in cents below which a head is called even (our own; see `beating_spread`)."""
DAMPING = 0.25
"""Damping of the need, as a share of the gain of k = 0: patterns that answer far less are not forced."""
DRAWS = 1000
"""Random draws behind the expected spread."""

Action = Literal["raise", "lower"]


@dataclass(frozen=True, slots=True)
class Move:
    """One rod: its place in the order (from 1), its number, raise or lower, and the turns (positive)."""

    order: int
    rod: int
    action: Action
    turns: float

    @property
    def signed(self) -> float:
        """The turns, up positive."""
        return self.turns if self.action == "raise" else -self.turns


@dataclass(frozen=True, slots=True)
class Plan:
    """One round of moves and what it is expected to do.

    Parameters
    ----------
    moves
        In the order they are made; empty when nothing is to be turned.
    expected_spread_cents, expected_spread_sd_cents
        True spread to be expected afterwards and its standard deviation, from what the reading and the gains leave
        open. Without moves: the spread as read. With `to_setting`: the largest distance of a rod from the setting.
    pitch_change_cents
        Expected shift of the whole head's pitch by the moves.
    cautions, notes
        Sentences for the player.
    to_setting
        Whether the moves lead back to a saved setting.
    counted_cents
        Spread before the moves with all readings of the log counted; None where the plan rests on one reading.
    """

    moves: tuple[Move, ...]
    expected_spread_cents: float
    expected_spread_sd_cents: float
    pitch_change_cents: float = 0.0
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    to_setting: bool = False
    counted_cents: float | None = None


def beating_spread(frequency_11: float, decay: float) -> float:
    """Spread in cents of a two-sided unevenness whose (1,1) pair, at Hz and with T60 `decay` s, just beats audibly.

    The pair of tensions 1 + eps cos 2 theta is split by f eps / 2; the spread is that of 1 + eps to 1 - eps.

    Raises
    ------
    ValueError
        If the frequency or the decay is not positive.
    """
    if not (frequency_11 > 0.0 and decay > 0.0):
        raise ValueError(f"frequency and decay must be positive, got {frequency_11} Hz and {decay} s")
    eps = min(2.0 * float(smallest_beating_split(decay)) / frequency_11, 0.9)
    return 600.0 * math.log2((1.0 + eps) / (1.0 - eps))


def plan_moves(
    pulls: ArrayLike,
    covariance: ArrayLike,
    drum: Drum,
    tension: float,
    response: RodResponse | None = None,
    verdict: Verdict | None = None,
) -> Plan:
    """Moves of one round.

    Parameters
    ----------
    pulls
        Shape (N,), cents against the head's mean.
    covariance
        Shape (N, N), cents squared.
    drum
        The stand.
    tension
        Mean tension, N/m.
    response
        What the rods do; the prior of the stand's sizes when None.
    verdict
        Of the reading. ``even`` and ``unsure`` get no moves; None and ``uneven`` get those that pay.

    Raises
    ------
    ValueError
        If a shape is wrong, a value not finite, or the tension not positive.

    Notes
    -----
    No rod is turned whose pull lies within its standard deviation, nor by so little that it would not show; none
    against its pull; none by more than a step while the head may yet be even. A round that is not expected to make
    the spread smaller is not advised.
    """
    x, C = _checked(pulls, covariance, drum.rods)
    rods = response or rod_response(drum, tension)
    shift = _canonical(x)
    trial = _Trial.none(x[shift], C[np.ix_(shift, shift)], rods)
    if verdict not in ("even", "unsure"):
        raising = drum.head.thickness == 0.0 or safe_share(stress(tension, drum.head.thickness)) < 1.0
        for step in STEPS:
            trial = _round(x[shift], C[np.ix_(shift, shift)], rods, bool(raising), step)
            if trial.turns.any() or float(np.ptp(x)) < EVEN_SPREAD:
                break
    turns = np.zeros(drum.rods)
    turns[shift] = trial.turns
    change = rods.effect(turns)
    moves = _moves(turns, shift)
    notes = _notes(turns, trial.scale, rods, float(change.mean()), verdict)
    return Plan(
        moves, *trial.after, float(change.mean()), cautions_for(x, C, drum, tension, change, bool(moves)), notes
    )


def words(move: Move) -> str:
    """One move in plain words; a lowered rod is taken past its mark and brought back up.

    Examples
    --------
    >>> words(Move(1, 3, "raise", 0.125))
    'rod 3: raise, 1/8 turn'
    >>> words(Move(2, 5, "lower", 0.0625))
    'rod 5: lower, 1/16 turn (loosen 3/16, then tighten 1/8)'
    """
    turns = Fraction(move.turns).limit_denominator(64)
    text = f"rod {move.rod}: {move.action}, {turns} turn"
    return text if move.action == "raise" else f"{text} (loosen {turns + PAST}, then tighten {PAST})"


def signed_turns(moves: Iterable[Move], rods: int) -> NDArray[np.float64]:
    """Turns of the moves as a pattern over the rods, shape (rods,), up positive."""
    pattern = np.zeros(rods)
    for move in moves:
        pattern[move.rod - 1] += move.signed
    return pattern


def _checked(pulls: ArrayLike, covariance: ArrayLike, rods: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pulls and covariance as arrays of the right shape and finite."""
    x, C = np.asarray(pulls, float), np.asarray(covariance, float)
    if x.shape != (rods,) or C.shape != (rods, rods):
        raise ValueError(f"{rods} rods need pulls ({rods},) and covariance ({rods}, {rods}), got {x.shape}, {C.shape}")
    if not (np.isfinite(x).all() and np.isfinite(C).all()):
        raise ValueError("pulls and covariance must be finite")
    return x, C


def _canonical(x: NDArray[np.float64]) -> NDArray[np.int_]:
    """Order of the rods that starts at the highest pull and goes toward its higher neighbours, shape (N,).

    The plan is made in this order, so turning or mirroring the drum cannot change it.
    """
    n, top = x.size, int(np.argmax(x))
    around = (top + np.arange(n)) % n
    back = (top - np.arange(n)) % n
    return around if tuple(x[around]) >= tuple(x[back]) else back


@dataclass(frozen=True, slots=True)
class _Trial:
    """Signed turns per rod (N,), the share of the way they go (0...1), and mean and deviation of the spread after."""

    turns: NDArray[np.float64]
    scale: float
    after: tuple[float, float]

    @classmethod
    def none(cls, x: NDArray[np.float64], C: NDArray[np.float64], rods: RodResponse) -> _Trial:
        """No turn; the spread is that read."""
        still = np.zeros(x.size)
        return cls(still, 1.0, (float(np.ptp(x)), _spread_after(x, C, rods, still)[1]))


def _round(x: NDArray[np.float64], C: NDArray[np.float64], rods: RodResponse, raising: bool, step: float) -> _Trial:
    """Turns in whole steps; none where they are not expected to make the spread smaller."""
    none = _Trial.none(x, C, rods)
    sd = np.sqrt(np.diagonal(C))
    effect = rods.cautious_matrix * step
    most = MOST_STEPS if np.ptp(x) - 2.0 * none.after[1] >= EVEN_SPREAD else 1
    limit = round(most * STEP / step)
    need = _need(x, effect)
    scale = min(1.0, 2.0 * limit / max(float(np.ptp(need)), 1e-9))
    direction = np.where(np.abs(x) > sd, -np.sign(x), 0.0).astype(int)
    if not raising:
        direction = np.minimum(direction, 0)
    own = np.diagonal(rods.matrix) * step
    least = np.maximum(np.ceil(sd / own), 1.0).clip(max=limit + 1).astype(int)
    share = step / STEP
    prices = Prices(step=DEFAULT_PRICES.step * share, lowered_step=DEFAULT_PRICES.lowered_step * share)
    steps = best_steps(Problem(scale * x, effect, direction, least, np.full(x.size, limit), prices))
    turns = np.asarray(steps * step, np.float64)
    after = _spread_after(x, C, rods, turns)
    return none if after[0] >= np.ptp(x) else _Trial(turns, scale, after)


def _need(x: NDArray[np.float64], effect: NDArray[np.float64]) -> NDArray[np.float64]:
    """Steps, not whole and without limit, that would make the pulls even: damped least squares, shape (N,)."""
    damping = (DAMPING * effect.sum(axis=1).mean()) ** 2
    return np.asarray(-np.linalg.solve(effect.T @ effect + damping * np.eye(x.size), effect.T @ (x - x.mean())))


def _spread_after(
    x: NDArray[np.float64], C: NDArray[np.float64], rods: RodResponse, turns: NDArray[np.float64]
) -> tuple[float, float]:
    """Mean and standard deviation of the true spread after `turns`, over what reading and gains leave open."""
    covariance = C + rods.effect_covariance(turns)
    value, vector = np.linalg.eigh(0.5 * (covariance + covariance.T))
    noise = np.random.default_rng(0).standard_normal((DRAWS, x.size)) * np.sqrt(np.maximum(value, 0.0))
    left = x + rods.effect(turns) + noise @ vector.T
    spread = np.ptp(left, axis=1)
    return float(spread.mean()), float(spread.std())


def _moves(turns: NDArray[np.float64], shift: NDArray[np.int_]) -> tuple[Move, ...]:
    """Moves in order: crosswise from the largest when any is large, else round the head from the marked rod."""
    turned = [int(rod) for rod in np.flatnonzero(turns)]
    if np.abs(turns).max(initial=0.0) >= LARGE_STEPS * STEP:
        first = max(shift, key=lambda rod: abs(turns[rod]))
        turned = crosswise(turned, turns.size, int(first))
    return tuple(
        Move(place, rod + 1, "raise" if turns[rod] > 0.0 else "lower", float(abs(turns[rod])))
        for place, rod in enumerate(turned, start=1)
    )


def crosswise(turned: list[int], rods: int, first: int) -> list[int]:
    """Rods (numbered from 0) in star order: each next lies farthest from the last among those farthest from all done.

    Examples
    --------
    >>> [rod + 1 for rod in crosswise(list(range(8)), 8, 0)]
    [1, 5, 3, 7, 2, 6, 4, 8]
    """
    order, rest = [first], sorted(set(turned) - {first})

    def apart(a: int, b: int) -> int:
        return min((a - b) % rods, (b - a) % rods)

    while rest:
        best = max(rest, key=lambda rod: (min(apart(rod, done) for done in order), apart(rod, order[-1])))
        order.append(best)
        rest.remove(best)
    return order


def moved(change: float) -> str:
    """What moves are expected to do to the pitch of the head as a whole, in cents, as a sentence.

    Examples
    --------
    >>> moved(-0.3)
    'The head as a whole is expected to stay where it is.'
    """
    if round(change) == 0:
        return "The head as a whole is expected to stay where it is."
    return f"The head as a whole is expected to move by {change:+.0f} cents."


def _notes(
    turns: NDArray[np.float64], scale: float, rods: RodResponse, change: float, verdict: Verdict | None
) -> tuple[str, ...]:
    """Sentences on what the plan rests on."""
    if not turns.any():
        doubt = "The reading is not sure enough to turn a rod on it: tap round again."
        return (doubt,) if verdict == "unsure" else ("No turn of 1/32 or more is expected to make the head more even.",)
    notes = [
        f"What a turn does to this drum is known to about {100.0 * rods.relative_sd[1:].mean():.0f} %: "
        "tap round again after these moves.",
        moved(change),
    ]
    if np.any(np.abs(turns) % STEP > 1e-9):
        notes.append("Steps of 1/32 turn (11 degrees): this drum answers too strongly for coarser ones.")
    if scale < 1.0:
        notes.append(f"This is about {100.0 * scale:.0f} % of the way: more than a round allows is left for the next.")
    if (turns < 0).any():
        notes.append("A rod to be lowered is loosened past its mark and brought back up, so that it ends tightening.")
    return tuple(notes)
