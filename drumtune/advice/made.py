"""Which moves were made as told, by a few taps at each rod just turned.

The taps tell how the pitches at the rods have changed since the take (drumtune.advice.inversion.after), in the even rod
harmonics: these differ by the amount, by the direction and by the rod that was turned. Moves of one round share what a
turn does to this drum, which the log knows more or less; mistakes are weighed as accounts beside "as told"
(drumtune.advice.slips). Turns in full turns, signed: up is tighter. The equations stand in docs/physics.md, section
"Moves heard at the rods".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.special import logsumexp

from drumtune.advice.explained import Explained
from drumtune.advice.inversion.after import After, heard_after
from drumtune.advice.inversion.observing import Take
from drumtune.advice.response import Learned
from drumtune.advice.rod_state import LAG, LAG_SD
from drumtune.advice.turns import Move
from drumtune.errors import TakeError
from drumtune.physics.rods import RodResponse, harmonic_projectors

Floats = NDArray[np.float64]
STOP_TAPS = 3
"""Taps at a rod that are asked for after it was turned."""
SURE = 0.8
"""Probability from which a move is said not to have been made as told."""
SLIP = 0.017
"""Chance of each kind of mistake per move (our own, no source): one in fifteen moves or so is misread."""
FOREIGN = 30.0
"""What is left of taps, over what the take's taps leave, from which they are not of that head or of that place: after
moves on the same head, 1 to 7 as a rule and 11 in a take without noise; another head, 60 and more (our own heads)."""
MODEL_SD = (0.4, 1.5, 3.0)
"""Deviation in cents at a rod of the level, of harmonic 2 and of the higher even ones beyond what the sound leaves
open: the model is not exact (our own; our own finite-element heads)."""
OWN, SHARE = 0.5, 0.1
"""Deviation of what a move does beyond turns and sound, cents and as a share: a hand, friction."""
POOR, POOR_SHARE = 5.0, 0.1
"""Taps after one of the moves may be worse than said by this factor, and the chance of that."""
RATIOS = np.geomspace(0.25, 3.0, 20)
"""What a turn may do to the whole head, over what is expected of it."""
RATIO_SD = 0.1
"""Deviation of what each harmonic does, relative, beyond what is learned: the model's share of it."""
GUESSED = (0.7, 1.4)
"""What a turn does over what is expected, where the search begins."""


@dataclass(frozen=True, slots=True)
class Slip:
    """What became of a turn: its amount over that told, and how many rods beside the one told (clockwise)."""

    factor: float = 1.0
    beside: int = 0


AS_TOLD = Slip()
SLIPS = (Slip(0.0), Slip(-1.0), Slip(2.0), Slip(1.0, 1), Slip(1.0, -1))
"""Not turned (first), the other way, twice as far, at the next rod on either side."""


@dataclass(frozen=True, slots=True)
class Made:
    """One move and what was heard of it.

    Parameters
    ----------
    move
        As told.
    rods
        How many the drum has.
    heard_cents, heard_sd_cents
        Change of the pitch of the head as a whole on the move, and its deviation.
    expected_cents
        What the move makes of it on this drum, all moves of the round counted.
    likely
        What was most likely made of it.
    probability
        Of that.
    audible
        Whether these taps could have told the move from none.
    """

    move: Move
    rods: int
    heard_cents: float
    heard_sd_cents: float
    expected_cents: float
    likely: Slip = AS_TOLD
    probability: float = 1.0
    audible: bool = True

    @property
    def told(self) -> float:
        """Signed turns asked for."""
        return self.move.signed

    @property
    def wrong(self) -> bool:
        """Whether it is said not to have been made as told."""
        return self.likely != AS_TOLD and self.probability > SURE

    @property
    def instead(self) -> int:
        """The rod that was turned in its place, 0 for none."""
        return (self.move.rod - 1 + self.likely.beside) % self.rods + 1 if self.wrong and self.likely.beside else 0

    @property
    def missing(self) -> Floats:
        """Signed turns that put the rods right, shape (rods,): none where it was turned as told or nothing is sure."""
        turns = np.zeros(self.rods)
        if self.wrong:
            turns[self.move.rod - 1] += self.told
            turns[(self.move.rod - 1 + self.likely.beside) % self.rods] -= self.likely.factor * self.told
        return turns


def hear_moves(
    explained: Explained,
    taps: Sequence[Take],
    moves: Sequence[Move],
    known: Learned,
    *,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[Made, ...]:
    """Judge moves by taps at each rod just turned.

    Parameters
    ----------
    explained
        The take the moves were advised by.
    taps
        After each move, at its rod (`drumtune.advice.explained.later_taps`).
    moves
        In the order they were made.
    known
        The drum as far as is known: what a turn does, what friction holds back.
    progress
        Called with the share done, 0...1.

    Raises
    ------
    ValueError
        If there are no moves, or not taps for each.
    TakeError
        ``"unlike"``: the taps are not of that head, or not heard from the same place.
    """
    if not moves or len(taps) != len(moves):
        raise ValueError(f"each of {len(moves)} moves wants taps, got {len(taps)} groups")
    response = known.response
    now, afters = np.zeros(response.rods), list[After]()
    for group, move in zip(taps, moves, strict=True):
        afters.append(heard_after(explained.fit, group, move.rod - 1, now + _guesses(move, response)))
        now = afters[-1].cents
        progress(len(afters) / len(moves))
    if float(np.median([after.left for after in afters])) > FOREIGN:
        raise TakeError(
            "the taps do not sound like the head of the last take heard from the same place: leave the microphone "
            "where it was in the take, and tap at the rod just turned, gently and always alike",
            reason="unlike",
            estimate=tuple(afters),
        )
    return moves_made(afters, moves, known)


def moves_made(afters: Sequence[After], moves: Sequence[Move], known: Learned) -> tuple[Made, ...]:
    """Judge moves by what was heard after each.

    Parameters
    ----------
    afters
        Change of the pitches since before the first move, after each.
    moves, known
        As of `hear_moves`.
    """
    response, scene = known.response, _Scene.of(afters, known)
    accounts = [(0, AS_TOLD), *((place, slip) for place in range(len(moves)) for slip in SLIPS)]
    logs = [scene.log_evidence(_turned(moves, response.rods, place, slip)) for place, slip in accounts]
    whole = np.array([float(logsumexp(log)) + _log_chance(slip) for log, (_, slip) in zip(logs, accounts, strict=True)])
    chance, best = np.exp(whole - logsumexp(whole)), int(whole.argmax())
    ratio = float(RATIOS @ np.exp(logs[best] - logsumexp(logs[best])))
    steps = np.diff([after.cents.mean() for after in afters], prepend=0.0)
    expected = ratio * response.gains[0] / response.rods * np.array([move.signed for move in moves])
    made = []
    for place, move in enumerate(moves):
        mine = slice(1 + place * len(SLIPS), 1 + (place + 1) * len(SLIPS))
        likely, right = int(chance[mine].argmax()), 1.0 - float(chance[mine].sum())
        wrong = float(chance[mine][likely])
        slip, probability = (SLIPS[likely], wrong) if wrong > right else (AS_TOLD, right)
        audible = slip != AS_TOLD or bool(whole[0] > whole[mine][0] - math.log(SLIP))
        sd = math.sqrt(scene.level_variance[place])
        made.append(
            Made(move, response.rods, float(steps[place]), sd, float(expected[place]), slip, probability, audible)
        )
    return tuple(made)


def missing_turns(made: Sequence[Made], rods: int) -> Floats:
    """Signed turns that put every rod right, shape (rods,)."""
    turns = np.zeros(rods)
    for one in made:
        turns += one.missing
    return turns


def _guesses(move: Move, response: RodResponse) -> Floats:
    """What accounts of a move make of the pitches, shape (G, N)."""
    effects = [response.effect(_turned([move], response.rods, 0, slip)[0]) for slip in (AS_TOLD, *SLIPS)]
    return np.array([ratio * effect for effect in effects for ratio in (GUESSED if np.any(effect) else GUESSED[:1])])


def _turned(moves: Sequence[Move], rods: int, place: int, slip: Slip) -> Floats:
    """Turns of every move by one account, shape (moves, rods)."""
    turns = np.zeros((len(moves), rods))
    for row, move in enumerate(moves):
        made = slip if row == place else AS_TOLD
        turns[row, (move.rod - 1 + made.beside) % rods] += made.factor * move.signed
    return turns


def _log_chance(slip: Slip) -> float:
    """Log chance of what was made of a move, beforehand; the next rod on one side is half a mistake."""
    return 0.0 if slip == AS_TOLD else math.log(SLIP * (0.5 if slip.beside else 1.0))


@dataclass(frozen=True, slots=True)
class _Scene:
    """What was heard after the moves in the even harmonics, and how well.

    Parameters
    ----------
    response
        What a turn does.
    axes
        Unit vectors of the even harmonics over the rods, (N, d).
    heard
        The changes along them, (moves, d).
    noises
        Covariance of each, (d, d).
    waiting
        What friction is expected to let through with the first move, (d,).
    """

    response: RodResponse
    axes: Floats
    heard: Floats
    noises: tuple[Floats, ...]
    waiting: Floats

    @classmethod
    def of(cls, afters: Sequence[After], known: Learned) -> _Scene:
        response = known.response
        axes, deviations = [], []
        for k, part in enumerate(harmonic_projectors(response.rods)):
            if k % 2 == 0:
                size, vectors = np.linalg.eigh(part)
                mine = vectors[:, size > 0.5]
                axes.append(mine)
                deviations += [MODEL_SD[min(k // 2, 2)] * math.sqrt(response.rods / mine.shape[1])] * mine.shape[1]
        basis = np.concatenate(axes, axis=1)
        model = np.diag(np.square(deviations))
        heard = np.array([after.cents for after in afters]) @ basis
        noises = tuple(basis.T @ after.covariance @ basis + model for after in afters)
        return cls(response, basis, heard, noises, known.waiting @ basis)

    @property
    def level_variance(self) -> Floats:
        """Variance of each step of the head as a whole, cents squared, (moves,)."""
        alone = np.array([noise[0, 0] for noise in self.noises]) / self.response.rods
        return np.asarray(alone + np.append(0.0, alone[:-1]))

    def log_evidence(self, turns: Floats) -> Floats:
        """Log evidence of an account's turns (moves, N) at each of `RATIOS`, whichever taps are the poor ones."""
        moves, size = self.heard.shape
        parts = [self.response.gains[k] * part for k, part in enumerate(harmonic_projectors(self.response.rods))]
        steps = np.array([turns @ part @ self.axes for part in parts])
        effects = np.cumsum(steps, axis=1).reshape(len(parts), -1).T
        own = OWN**2 + np.square(SHARE * steps.sum(axis=0)).ravel()
        summed = np.kron(np.tril(np.ones((moves, moves))), np.eye(size))
        late = np.tile(self.waiting, moves)
        known = (summed * own) @ summed.T + (LAG_SD / LAG) ** 2 * np.outer(late, late)
        logs = [
            self._log_likelihood(effects, known + noise) + (math.log(POOR_SHARE) if poor else 0.0)
            for noise, poor in self._noise()
        ]
        return np.asarray(logsumexp(logs, axis=0))

    def _noise(self) -> list[tuple[Floats, bool]]:
        """Covariance of all that was heard: as said, and with the taps after each of the moves worse; which it is."""
        said = [(block_diag(*self.noises), False)]
        for worse in range(len(self.noises)):
            factors = [POOR**2 if place == worse else 1.0 for place in range(len(self.noises))]
            said.append((block_diag(*(f * noise for f, noise in zip(factors, self.noises, strict=True))), True))
        return said

    def _log_likelihood(self, effects: Floats, noise: Floats) -> Floats:
        """Log likelihood of what was heard at each of `RATIOS`, their prior counted.

        Given the ratio c of the whole, the others are normal about c^(their share in it).
        """
        relative = self.response.relative_covariance
        follow, own = relative[:, 0] / relative[0, 0], RATIO_SD**2 * np.eye(relative.shape[0])
        left = relative + own - np.outer(relative[:, 0], relative[:, 0]) / relative[0, 0]
        heard, logs = (self.heard - self.waiting).ravel(), []
        for ratio in RATIOS:
            mean = ratio**follow
            spread = effects * mean
            covariance = noise + spread @ left @ spread.T
            off = heard - effects @ mean
            believed = math.log(ratio) - 0.5 * (ratio - 1.0) ** 2 / relative[0, 0]
            square = float(off @ np.linalg.solve(covariance, off))
            logs.append(believed - 0.5 * square - 0.5 * float(np.linalg.slogdet(covariance)[1]))
        return np.array(logs)
