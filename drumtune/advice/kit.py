"""Notes for a kit: the choice that costs least, proved so by an exact search, and what the others would give up.

Toms stand in order from the largest (lowest note) to the smallest and make the steps asked for; snare and bass drum
take the notes that suit them. Notes are equal-tempered. A choice costs

* steps that differ from those asked for, where that is allowed;
* feel that changes from one tom to the next: stiffness under the stick;
* snare wires that answer: how far a note's pressure moves the snare-side head;
* the room: notes it lifts or swallows (or, if wanted, notes it does not lift);
* standing far from where in its range a drum is at ease.

The sum goes along the toms like the links of a chain, so the best choice is found exactly by dynamic programming, for
every way to meet the wish and every note of the snares; the tests compare it with trying everything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.intervals import Pattern
from drumtune.advice.kit_problem import FEEL, NEVER, STEP, WIRES_DB, Array, Problem, Wish, frequency_of, number_of, pose
from drumtune.errors import DrumtuneError
from drumtune.notes import note_name

__all__ = ["ANOTHER", "Choice", "Wish", "alternatives", "pose", "solve"]

ANOTHER = "another lowest note"
"""Name of the alternative that starts from another note; the others are named by what counts more in them."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A note for each drum, as places among its open notes, in the order of the kit; how the wish is met; the cost."""

    places: tuple[int, ...]
    pattern: Pattern
    cost: float

    def numbers(self, problem: Problem) -> tuple[int, ...]:
        """Notes as numbers of semitones, A4 = 69."""
        return tuple(int(fact.numbers[place]) for fact, place in zip(problem.facts, self.places, strict=True))

    def notes(self, problem: Problem) -> tuple[float, ...]:
        """Notes in Hz."""
        return tuple(float(fact.notes[place]) for fact, place in zip(problem.facts, self.places, strict=True))


def solve(problem: Problem, without: Choice | None = None) -> Choice:
    """Return the choice that costs least of all; `without` rules out the lowest tom's note of another choice.

    Raises
    ------
    DrumtuneError
        If the steps asked for fit no choice: which drum is in the way, and by how much.
    """
    banned = None if without is None or not problem.toms else without.places[problem.toms[0]]
    links = [_links(problem, way) for way in problem.patterns]
    best = None
    for fixed in product(*(range(problem.facts[i].numbers.size) for i in problem.snares)):
        found = _with_snares(problem, links, fixed, banned)
        if math.isfinite(found.cost) and (best is None or found.cost < best.cost):
            best = found
    if best is None:
        raise DrumtuneError(why_not(problem))
    return best


def _with_snares(problem: Problem, links: list[list[Array]], fixed: tuple[int, ...], banned: int | None) -> Choice:
    """Best choice with the snares on given notes; its cost is infinite when there is none."""
    places = dict(zip(problem.snares, fixed, strict=True))
    cost = sum(float(own_cost(problem, snare, ())[place]) for snare, place in places.items())
    for other in problem.others:
        own = own_cost(problem, other, fixed)
        places[other] = int(own.argmin())
        cost += float(own.min())
    own_costs = [own_cost(problem, tom, fixed) for tom in problem.toms]
    if banned is not None:
        own_costs[0] = own_costs[0].copy()
        own_costs[0][banned] = NEVER
    chains = [_chain(own_costs, link) for link in links]
    way = min(range(len(chains)), key=lambda i: chains[i][0])
    places |= dict(zip(problem.toms, chains[way][1], strict=True))
    ordered = tuple(places[i] for i in range(len(problem.voices)))
    return Choice(ordered, problem.patterns[way], cost + chains[way][0])


def _chain(own: list[Array], links: list[Array]) -> tuple[float, list[int]]:
    """Dynamic programming along the toms: least cost, place of each tom's note."""
    if not own:
        return 0.0, []
    total, back = own[0], []
    for link, cost in zip(links, own[1:], strict=True):
        table = total[:, None] + link + cost
        back.append(table.argmin(axis=0))
        total = table.min(axis=0)
    places = [int(total.argmin())]
    for step in reversed(back):
        places.append(int(step[places[-1]]))
    return float(total.min()), places[::-1]


def own_cost(problem: Problem, drum: int, snares: tuple[int, ...]) -> Array:
    """What each of a drum's notes costs by itself and with the snares on places `snares`, shape (notes,)."""
    fact, weigh = problem.facts[drum], problem.wish.priorities
    cost = weigh.middle * fact.middle + weigh.room * fact.room
    for answer, place in zip(fact.answers, snares, strict=False):
        cost = cost + weigh.wires * (np.maximum(answer[place], 0.0) / WIRES_DB) ** 2
    return cost


def _links(problem: Problem, way: Pattern) -> list[Array]:
    """Cost of each pair of notes of neighbouring toms, one array (lower's notes, upper's notes) per gap."""
    return [link_cost(problem, way, gap) for gap in range(len(problem.toms) - 1)]


def link_cost(problem: Problem, way: Pattern, gap: int) -> Array:
    """Cost of steps and of the change of feel over one gap between toms."""
    lower, upper = (problem.facts[problem.toms[gap + side]] for side in (0, 1))
    steps = upper.numbers - lower.numbers[:, None]
    off = np.abs(steps[..., None] - np.array(way.steps[gap])).min(axis=-1)
    allowed = steps > 0 if problem.wish.loose else off == 0
    change = np.log(upper.stiffness / lower.stiffness[:, None])
    weigh = problem.wish.priorities
    cost = weigh.steps * (off / STEP) ** 2 + weigh.feel * (change / FEEL) ** 2
    return np.where(allowed, cost, NEVER)


def why_not(problem: Problem) -> str:
    """One line: the drum that is most in the way of the steps asked for, and by how much."""
    lowest, highest = (
        np.array([number_of(getattr(problem.voices[i], end)) for i in problem.toms]) for end in ("lowest", "highest")
    )
    for row, tom in enumerate(problem.toms):
        if problem.voices[tom].stand.note is not None:
            lowest[row] = highest[row] = float(problem.facts[tom].numbers[0])
    found = [
        _trouble(problem, start + climb, lowest, highest)
        for way in problem.patterns
        for climb in _climbs(way)
        for start in _starts(lowest - climb, highest - climb)
    ]
    return (
        f"the kit cannot be spread in {problem.wish.intervals}: {min(found)[1]}; choose other intervals or --as-close"
    )


def _climbs(way: Pattern) -> Iterator[NDArray[np.int64]]:
    """Heights of the toms over the lowest, for a pattern (of choices between steps, at most 4096)."""
    for count, steps in enumerate(product(*way.steps)):
        if count == 4096:
            return
        yield np.concatenate([[0], np.cumsum(steps, dtype=np.int64)])


def _starts(lowest: Array, highest: Array) -> tuple[int, int]:
    """Whole notes of the lowest tom round where the worst excess is least."""
    middle = 0.5 * (lowest.max() + highest.min())
    return math.floor(middle), math.ceil(middle)


def _trouble(problem: Problem, numbers: NDArray[np.int64], lowest: Array, highest: Array) -> tuple[float, str]:
    """How far the worst drum is out of its range on these notes, in semitones, and that in words."""
    under, over = lowest - numbers, numbers - highest
    row = int(np.maximum(under, over).argmax())
    voice, below = problem.voices[problem.toms[row]], under[row] > over[row]
    size = float(max(under[row], over[row]))
    note = note_name(float(frequency_of(numbers[row])))[0]
    if voice.stand.note is not None:
        return (
            size,
            f"{voice.stand.name} is to stay on its note and would have to go to {note}, {size:.0f} semitones away",
        )
    way, reason = ("below", voice.limits.under) if below else ("above", voice.limits.over)
    return size, f"{voice.stand.name} would have to go to {note}, {size:.1f} semitones {way} where {reason}"


def alternatives(problem: Problem, best: Choice) -> Iterator[tuple[str, Choice]]:
    """Other choices worth weighing, each once: best when one share counts eight times, and from another lowest note."""
    seen = {best.places}
    for name in ("feel", "wires", "room", "middle", "steps"):
        weight = 8.0 * getattr(problem.wish.priorities, name)
        wish = replace(problem.wish, priorities=replace(problem.wish.priorities, **{name: weight}))
        found = solve(replace(problem, wish=wish))
        if found.places not in seen:
            seen.add(found.places)
            yield name, replace(found, cost=total_cost(problem, found))
    try:
        found = solve(problem, without=best)
    except DrumtuneError:
        return
    if found.places not in seen and problem.toms:
        yield ANOTHER, found


def total_cost(problem: Problem, choice: Choice) -> float:
    """Cost of any choice, term by term (the search adds the same terms along the chain)."""
    snares = tuple(choice.places[i] for i in problem.snares)
    own = sum(float(own_cost(problem, drum, snares)[place]) for drum, place in enumerate(choice.places))
    toms = [choice.places[i] for i in problem.toms]
    links = _links(problem, choice.pattern)
    return own + sum(float(link[a, b]) for link, a, b in zip(links, toms, toms[1:], strict=False))
