"""A drum nobody knows is made even in rounds: synth -> even -> turn, until its true spread is under 12 cents.

    python docs/examples/rounds.py [--drums 1] [--rounds 6] [--seed 1] [--checked]

The drum is hidden behind its sound. How far its pitch goes with a turn (half to twice what its sizes say, for each
pattern of turns; one-sided ones less where the film slides on the rim), what friction holds back until the next round,
how sloppy the hand is and which move it misreads: all drawn at random and never told to the program, which hears the
taps only. With --checked the player taps at each rod just turned, and puts right what the program hears was not made as
told.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.evenness import reading_of
from drumtune.advice.explained import Explained, explain, later_taps
from drumtune.advice.made import STOP_TAPS, hear_moves, missing_turns
from drumtune.advice.reading import Reading
from drumtune.advice.response import Learned
from drumtune.advice.rounds import Kept, kept, know, plan_round, taps_per_rod
from drumtune.advice.synthetic_take import Recipe, play, play_after
from drumtune.advice.turns import Move, signed_turns, words
from drumtune.drum import INCH, Air, Drum, Head, HoopKind
from drumtune.dsp.by_rod import group_taps
from drumtune.dsp.taps import find_taps
from drumtune.errors import TakeError
from drumtune.physics import air
from drumtune.physics.rods import harmonic_projectors, rod_response

Floats = NDArray[np.float64]
RATE = 44100
DONE = 12.0
"""True spread in cents at which the head counts as even here."""
WORSE = 0.5
"""Cents by which a head must be more uneven after a round to count as worse."""
SLOPPY = 0.05
"""Relative deviation of a turn made from the turn meant."""
OTHER_GAINS = (1.0, 0.0, 0.56, 0.91, 1.1, 1.25, 1.3, 1.3, 1.3)
"""Gains by rod harmonic, over that of k = 0, of another model than the program's: flat film, no hoop counted."""
Check = Callable[[Floats], Floats]
"""What hears the pitches at the rods before the first move and after each, and says what to turn to put them right."""
Rim = Literal["held", "sliding", "spring"]
ONE_SIDED: dict[Rim, float] = {"held": 0.22, "sliding": 0.02, "spring": 0.17}
"""The same for harmonic 1, which hangs on how the rim holds the film along itself (finite elements of a flat film; a
film that slides without friction has none, and friction is given a tenth of what holding makes)."""
HOOPS: tuple[HoopKind, ...] = ("flanged", "cast", "wood")
SIZES_IN = {6: (10, 12, 13), 8: (12, 13, 14, 16), 10: (14, 16, 18)}


@dataclass
class HiddenDrum:
    """A drum and the hand that turns its rods.

    `rim` says how its rim holds the film along itself. `cents` are the true pitches at the rods against the start's
    mean, (N,); `matrix` what a turn of each rod does, (N, N), cents; `lag` the share of a change that friction holds
    back until the next round, `waiting` what it holds now; `misread` the round in which a move goes wrong.
    """

    drum: Drum
    rim: Rim
    frequency: float
    cents: Floats
    matrix: Floats
    lag: float
    misread: int
    rng: np.random.Generator
    waiting: Floats = field(init=False)
    rounds: int = 0

    def __post_init__(self) -> None:
        self.waiting = np.zeros(self.drum.rods)

    @property
    def spread(self) -> float:
        return float(np.ptp(self.cents))

    @property
    def tension(self) -> float:
        even = float(air.tension(self.drum.head, self.frequency, 1, 1))
        return even * 2.0 ** (float(self.cents.mean()) / 600.0)

    def turn(
        self,
        turns: Floats,
        *,
        careful: bool = False,
        order: Sequence[int] | None = None,
        check: Check | None = None,
    ) -> None:
        """Turn rods as a person does: a little off, once per drum quite wrong (never when `careful`).

        `order` has the places of the rods in the order they are turned. `check` hears the pitches at the rods before
        the first move and after each, shape (moves + 1, N), and answers with the turns that put the rods right.
        """
        meant = [(rod, turns[rod]) for rod in (np.flatnonzero(turns) if order is None else order)]
        real = turns * (1.0 + SLOPPY * self.rng.standard_normal(turns.size))
        made = [(int(rod), float(real[rod])) for rod, _ in meant]
        if meant and self.rounds == self.misread and not careful:
            made = self._slip(made)
        steps = np.zeros((len(made) + 1, turns.size))
        for place, (rod, amount) in enumerate(made, start=1):
            steps[place] = steps[place - 1]
            steps[place, rod] += amount
        total = steps[-1]
        if check is not None and meant:
            held = np.minimum(np.arange(len(made) + 1), 1)[:, None] * self.waiting
            right = check(self.cents + held + (1.0 - self.lag) * steps @ self.matrix.T)
            total = total + right * (1.0 + SLOPPY * self.rng.standard_normal(turns.size))
        change = self.matrix @ total
        self.cents = self.cents + (1.0 - self.lag) * change + self.waiting
        self.waiting = self.lag * change
        self.rounds += bool(meant)

    def _slip(self, made: list[tuple[int, float]]) -> list[tuple[int, float]]:
        """One of the moves misread: left out, made twice, the wrong way, or at the next rod."""
        wrong = int(self.rng.choice(sorted(rod for rod, _ in made)))
        kind = int(self.rng.integers(4))
        rods = self.matrix.shape[0]
        slips = {0: (wrong, 0.0), 1: (wrong, 2.0), 2: (wrong, -1.0), 3: ((wrong + 1) % rods, 1.0)}
        rod, factor = slips[kind]
        return [(rod, factor * amount) if one == wrong else (one, amount) for one, amount in made]


def hidden_drum(seed: int, rods: int, *, by_rods: bool = True, unlike: float = 0.0) -> HiddenDrum:
    """Draw a drum of so many rods with a spread of 60 to 180 cents.

    It came out of tune by its rods (random turns of each), or, without `by_rods`, by any tension at the rods alike.
    `unlike` is the deviation of what one rod does from what the others do, relative.
    """
    rng = np.random.default_rng([seed, rods])
    radius = 0.5 * INCH * float(rng.choice(SIZES_IN[rods]))
    drum = Drum(Head.of_film(radius, float(rng.choice([7.0, 10.0, 12.0]))), rods, HOOPS[int(rng.integers(3))])
    frequency = float(165.0 * (0.1524 / radius) ** 0.9 * rng.uniform(0.7, 1.2)) * 1.6
    rim: Rim = tuple(ONE_SIDED)[int(rng.integers(3))]
    matrix = draw_response(rng, drum, rim, float(air.tension(drum.head, frequency, 1, 1)), unlike)
    cents = matrix @ rng.standard_normal(rods) if by_rods else rng.standard_normal(rods)
    cents = (cents - cents.mean()) * rng.uniform(60.0, 180.0) / np.ptp(cents)
    return HiddenDrum(drum, rim, frequency, cents, matrix, rng.uniform(0.0, 0.2), int(rng.integers(3)), rng)


def draw_response(rng: np.random.Generator, drum: Drum, rim: Rim, tension: float, unlike: float) -> Floats:
    """What a turn of each rod does to the pitch at every rod, cents, shape (N, N)."""
    expected = rod_response(drum, tension).gains
    other = expected[0] * np.array(OTHER_GAINS[: expected.size])
    other[1] = expected[0] * ONE_SIDED[rim]
    mix = rng.uniform(0.0, 1.0)
    shape = (other / expected) ** (1.0 - mix) * np.exp(0.1 * rng.standard_normal(expected.size))
    factor = 2.0 ** rng.uniform(-1.0, 1.0) * shape
    tilt = np.arange(expected.size) == 1
    gains = expected * np.clip(factor, np.where(tilt, 0.0, 0.5), 2.0)
    own = np.exp(unlike * rng.standard_normal(drum.rods))
    return np.asarray(np.tensordot(gains, harmonic_projectors(drum.rods), 1) * own)


def listen(hidden: HiddenDrum, seed: int) -> tuple[Explained, Reading]:
    """Tap all round, as often as rounds ask for, and read the head; again where the take does not allow an answer."""
    rods = hidden.drum.rods
    per_rod = taps_per_rod(rods)
    for attempt in range(3):
        pulls = hidden.cents - hidden.cents.mean()
        pitch = hidden.frequency * 2.0 ** (float(hidden.cents.mean()) / 1200.0)
        recipe = Recipe(hidden.drum, tuple(pulls), pitch, per_rod, seed=1000 * seed + attempt, scatter=0.003)
        sound = play(recipe, RATE)
        taps = group_taps(find_taps(sound, RATE, per_rod * rods).taps, rods, per_rod)
        try:
            found = explain(sound, RATE, taps, hidden.drum)
            return found, reading_of(found, hidden.drum, Air())
        except TakeError as failure:
            last = failure
    raise last


def checked(hidden: HiddenDrum, known: Learned, found: Explained, moves: tuple[Move, ...], seed: int) -> Check:
    """An ear for the moves of a round: taps at each rod just turned."""

    def check(states: Floats) -> Floats:
        pitch = hidden.frequency * 2.0 ** (float(states[0].mean()) / 1200.0)
        recipe = Recipe(hidden.drum, tuple(states[0]), pitch, STOP_TAPS, seed=seed, scatter=0.003)
        sound = play_after(recipe, states, [move.rod - 1 for move in moves], RATE)
        try:
            taps = find_taps(sound, RATE, STOP_TAPS * len(moves)).taps
            if len(taps) == STOP_TAPS * len(moves):
                after = [taps[first : first + STOP_TAPS] for first in range(0, len(taps), STOP_TAPS)]
                return missing_turns(
                    hear_moves(found, later_taps(found, sound, RATE, after), moves, known), hidden.drum.rods
                )
        except TakeError as failure:
            print(f"  moves not heard: {failure}")
        return np.zeros(hidden.drum.rods)

    return check


def rounds_needed(
    hidden: HiddenDrum, most: int, seed: int, *, check_moves: bool = False
) -> tuple[int | None, list[float]]:
    """Work on a drum; rounds until its true spread is under `DONE` (None: never), and the spreads."""
    log: list[Kept] = []
    turned: Floats | None = None
    spreads = [hidden.spread]
    for number in range(most):
        found, reading = listen(hidden, seed + number)
        log.append(kept(reading, turned, said=True))
        known = know(hidden.drum, log)
        plan = plan_round(known, hidden.drum, reading.tension, reading.verdict)
        tell(number, reading, plan.moves, plan.expected_spread_cents)
        turned = signed_turns(plan.moves, hidden.drum.rods)
        order = [move.rod - 1 for move in plan.moves]
        check = checked(hidden, known, found, plan.moves, seed + number) if check_moves else None
        hidden.turn(turned, order=order, check=check)
        spreads.append(hidden.spread)
        print(f"  after round {number + 1} the true spread is {hidden.spread:.0f} cents")
        if hidden.spread < DONE:
            return number + 1, spreads
    return None, spreads


def tell(number: int, reading: Reading, moves: tuple[Move, ...], expected: float) -> None:
    told = "; ".join(words(move) for move in moves) or "no moves"
    read = f"{reading.verdict}, {reading.spread_cents:.0f} cents read"
    print(f"  round {number + 1}: {read}; {told}; expected {expected:.0f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drums", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=6, help="most rounds per drum")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--checked", action="store_true", help="taps at each rod just turned")
    asked = parser.parse_args()
    all_needed: list[int | None] = []
    worse: list[bool] = []
    for number in range(asked.drums):
        hidden = hidden_drum(asked.seed + number, (8, 6, 10)[number % 3])
        print(f"drum {number + 1}: {hidden.drum.rods} rods, true spread {hidden.spread:.0f} cents")
        needed, spreads = rounds_needed(hidden, asked.rounds, 100 * (asked.seed + number), check_moves=asked.checked)
        print(f"rounds needed: {needed if needed is not None else f'more than {asked.rounds}'}", flush=True)
        all_needed.append(needed)
        worse += [after > before + WORSE for before, after in pairwise(spreads)]
    reached = np.array([np.inf if needed is None else needed for needed in all_needed])
    ninth = np.quantile(reached, 0.9, method="higher")
    print(f"{asked.drums} drums: median {np.median(reached):g} rounds, 90th percentile {ninth:g}")
    print(f"{sum(worse)} of {len(worse)} rounds left a head more uneven by over {WORSE} cents")


if __name__ == "__main__":
    main()
