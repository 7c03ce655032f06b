"""Which mode each line of three takes belongs to: top head alone, bottom head alone, both free.

"Alone" means with the other head held still under a flat hand or cloth. Two explanations are weighed: the described
drum at some pair of tensions, with an air spring of its own; and, for drums that does not fit, the two-mass rule
for the (0,1) lines alone. The cheaper one names the lines. Costs are squares of deviations, as of -2 log likelihood;
their constants are our own estimates. Frequencies in Hz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from drumtune.advice.pair_lines import Lines, look_for
from drumtune.advice.pair_state import LOAD_SD, SPRING_SD, TAKES, ByMode, State, expected_lines, fit_state, with_air
from drumtune.errors import TakeError
from drumtune.physics import held_head, two_heads
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads

CONSIDERED = 6
"""Strongest lines of each take that may be a (0,1), or stand for a head's tension."""
ORDERS = (0, 1, 2)
"""Nodal diameters whose lines are looked for."""
ROUGH_SD, FINE_SD = 70.0, 40.0
"""How far the described drum may miss a line, cents: on the grid of explanations, and once its air is fitted."""
SPRINGS = (0.6, 0.8, 1.0, 1.25)
"""Air springs on that grid, against that of the described shell."""
SUM_SD = 0.02
"""How far the two-mass rule f1^2 + f2^2 = fA^2 + fB^2 may be off, relative."""
PITCH_SD = 120.0
"""How far a pitch given by the player may be off, cents."""
MISSED = {(0, 0): 30.0, (0, 1): 12.0, (1, 0): 3.0, (1, 1): 3.0, (2, 0): 1.0, (2, 1): 1.0}
"""Cost of a line that should be there and is not, by order and place in the pair: without its low (0,1) a take is of no
use; the upper one dies fast and may need a second look."""
UNLIKELY = 6.0
"""Cost of two masses as such: a drum is mostly the one described."""
ODD = 4.0
"""Cost of a strong line that nothing explains; less for weak ones, none from 25 dB under the strongest."""
FINALISTS = 4
"""Explanations of the grid that are fitted before they are compared."""
Near = tuple[float | None, float | None]
"""Pitch of top and bottom head near a rod with the other muted, Hz, where the player gave it."""


@dataclass(frozen=True, slots=True)
class Named:
    """A line with its name: take ``top``, ``bottom`` or ``open``, mode m, place in the pair (0 lower, 1 upper)."""

    take: str
    m: int
    place: int
    frequency: float
    frequency_sd: float
    decay_rate: float


NamedLines = tuple[Named, ...]


@dataclass(frozen=True, slots=True)
class Takes:
    """Lines of the three takes, the described drum, and pitches given."""

    drum: TwoHeads
    lines: tuple[Lines, Lines, Lines]
    near: Near


def name_lines(drum: TwoHeads, top: Lines, bottom: Lines, both: Lines, near: Near = (None, None)) -> NamedLines:
    """Name the (0,1) and (1,1) lines of three takes.

    Parameters
    ----------
    drum
        As described.
    top, bottom, both
        Lines of the three takes.
    near
        See `Near`.

    Raises
    ------
    TakeError
        If no choice of lines makes a coupled pair: one line lower and one higher than both heads alone.
    """
    takes = Takes(drum, (top, bottom, both), near)
    options: list[tuple[float, NamedLines, State | None]] = [
        (*_assigned(takes, state), state) for state in _finalists(takes)
    ]
    options += [(cost, named, None) for cost, named in _two_mass(takes)]
    for _, named, state in sorted(options, key=lambda option: option[0]):
        whole = named if _is_pair(named) or state is None else _second_look(takes, state, named)
        if _is_pair(whole):
            return whole
    raise TakeError(
        "the open take shows no (0,1) pair, one line below and one above those of both heads alone: strike near the "
        "middle, mute the other head well in the other two takes, and check which file is which",
        reason="lines",
    )


def _second_look(takes: Takes, state: State, named: NamedLines) -> NamedLines:
    """Add the upper (0,1) of the open take, if that is all that is missing and it is there after all."""
    if {(line.take, line.place) for line in named if line.m == 0} != {("top", 0), ("bottom", 0), ("open", 0)}:
        return named
    own = with_air(takes.drum, state.spring, state.load)
    expected = two_heads.pair(own, state.top, state.bottom)
    found = look_for(takes.lines[2], float(expected.frequency[1]), float(expected.decay_rate[1]))
    if found is None:
        return named
    return _in_order([*named, _named("open", 0, 1, found, 0)])


def _in_order(named: list[Named]) -> NamedLines:
    return tuple(sorted(named, key=lambda line: (line.m, TAKES.index(line.take), line.place)))


def _is_pair(named: NamedLines) -> bool:
    """Whether all four (0,1) lines are there and lie as coupling puts them."""
    found = {(line.take, line.place): line.frequency for line in named if line.m == 0}
    if len(found) < 4:
        return False
    alone = found["top", 0], found["bottom", 0]
    return found["open", 0] < 1.002 * min(alone) and found["open", 1] > 0.998 * max(alone)


def _finalists(takes: Takes) -> list[State]:
    """Explanations by the described drum: a grid of tensions and springs, the best of it fitted."""
    drum = takes.drum
    tops, bottoms = (_candidates(drum, takes.lines[head], head) for head in (TOP, BOTTOM))
    if not (tops.size and bottoms.size):
        return []
    costs = np.stack([_grid_costs(takes, with_air(drum, s, 1.0), tops, bottoms) for s in SPRINGS])
    best = costs.min(axis=0)
    found = []
    for flat in np.argsort(best, axis=None)[:FINALISTS]:
        i, k = np.unravel_index(flat, best.shape)
        spring = SPRINGS[int(np.argmin(costs[:, i, k]))]
        found.append(_settled(takes, State(float(tops[i]), float(bottoms[k]), spring)))
    return found


def _candidates(drum: TwoHeads, lines: Lines, head: int) -> NDArray[np.float64]:
    """Tensions (N/m) that a take of one head allows: each strong line as its (1,1), then as its (0,1)."""
    strong = lines.frequency[np.argsort(-lines.level, kind="stable")[:CONSIDERED]]
    found = np.concatenate([held_head.held_tension(drum, strong, m, head) for m in (1, 0)])
    return np.unique(found[found > 0.0])


def _grid_costs(
    takes: Takes, drum: TwoHeads, tops: NDArray[np.float64], bottoms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Cost of every pair of tensions, shape (tops, bottoms)."""
    alone = []
    for head, tension in ((TOP, tops), (BOTTOM, bottoms)):
        expected = np.stack([held_head.held_frequency(drum, tension, m, head) for m in ORDERS], axis=-1)
        alone.append(
            _cost(takes.lines[head], expected, [(m, 0) for m in ORDERS]) + _off_pitch(takes.near[head], expected[:, 1])
        )
    both = [two_heads.pair_frequencies(drum, tops[:, None], bottoms, m) for m in ORDERS]
    names = [(m, place) for m in ORDERS for place in range(2)]
    return np.asarray(alone[0][:, None] + alone[1] + _cost(takes.lines[2], np.concatenate(both, axis=-1), names))


def _off_pitch(near: float | None, expected: NDArray[np.float64]) -> NDArray[np.float64]:
    if near is None:
        return np.zeros(expected.shape)
    return np.asarray((1200.0 * np.log2(expected / near) / PITCH_SD) ** 2)


def _cost(lines: Lines, expected: NDArray[np.float64], names: list[tuple[int, int]]) -> NDArray[np.float64]:
    """Cost of lines expected (..., K) beside lines heard: those not met, and strong ones not expected; (...)."""
    off = (1200.0 * np.log2(expected[..., None] / lines.frequency) / ROUGH_SD) ** 2
    weak = np.where(np.array([m for m, _ in names])[:, None] == 0, -lines.level / 10.0, -lines.level / 40.0)
    missed = np.array([MISSED[name] for name in names])
    met = np.minimum((off + weak).min(axis=-1), missed).sum(axis=-1)
    return np.asarray(met + (np.minimum(off.min(axis=-2) / 4.0, 1.0) * _strength(lines)).sum(axis=-1))


def _strength(lines: Lines) -> NDArray[np.float64]:
    """What each line costs when nothing explains it."""
    return np.asarray(ODD * np.clip(1.0 + lines.level / 25.0, 0.0, 1.0))


def _settled(takes: Takes, state: State) -> State:
    """Fit an explanation to the lines nearest to what it expects, twice, the second time more closely."""
    for sd in (ROUGH_SD, FINE_SD):
        expected = expected_lines(takes.drum, state, ORDERS)
        matched = []
        for lines, found in zip(takes.lines, expected, strict=True):
            heard, _ = _paired(lines, found, 2.5 * sd, sd)
            matched.append({name: float(lines.frequency[i]) for name, i in heard.items()})
        state = fit_state(takes.drum, matched, state)
    return state


def _paired(lines: Lines, expected: ByMode, within: float, sd: float) -> tuple[dict[tuple[int, int], int], float]:
    """Best one-to-one pairing of expected lines with lines heard, and its cost."""
    names = list(expected)
    cents = np.abs(1200.0 * np.log2(np.array([expected[n] for n in names])[:, None] / lines.frequency))
    weak = np.array([-lines.level / (10.0 if m == 0 else 40.0) for m, _ in names])
    missed = np.array([MISSED[name] for name in names])
    cost = np.where(cents < within, (cents / sd) ** 2 + weak, 1e3)
    table = np.concatenate([cost, np.where(np.eye(len(names), dtype=bool), missed, 1e3)], axis=1)
    rows, columns = linear_sum_assignment(table)
    heard = {names[r]: int(c) for r, c in zip(rows, columns, strict=True) if c < lines.frequency.size}
    return heard, float(table[rows, columns].sum())


def _assigned(takes: Takes, state: State) -> tuple[float, NamedLines]:
    """Cost of a fitted explanation, and the names it gives."""
    total = (math.log(state.spring) / SPRING_SD) ** 2 + (math.log(state.load) / LOAD_SD) ** 2
    named: list[Named] = []
    expected = expected_lines(takes.drum, state, ORDERS)
    for take, near, lines, found in zip(TAKES, (*takes.near, None), takes.lines, expected, strict=True):
        heard, cost = _paired(lines, found, 2.5 * ROUGH_SD, FINE_SD)
        odd = np.delete(_strength(lines), list(heard.values()))
        total += cost + float(odd.sum()) + float(_off_pitch(near, np.array(found[1, 0])))
        named += [_named(take, m, place, lines, i) for (m, place), i in heard.items() if m < 2]
    return total, _in_order(named)


def _two_mass(takes: Takes) -> list[tuple[float, NamedLines]]:
    """The best explanation by the two-mass rule alone, which leaves every other line odd."""
    top, bottom, both = takes.lines
    strong = [np.argsort(-lines.level, kind="stable")[:CONSIDERED] for lines in takes.lines]
    odd = [_strength(lines) for lines in takes.lines]
    all_odd = sum(float(row.sum()) for row in odd)
    best: list[tuple[float, NamedLines]] = []
    for a, b in product(strong[0], strong[1]):
        for low, high in combinations(sorted(strong[2]), 2):
            off = _sum_rule(top.frequency[a], bottom.frequency[b], both.frequency[low], both.frequency[high])
            weak = -(top.level[a] + bottom.level[b] + both.level[low] + both.level[high]) / 10.0
            explained = odd[0][a] + odd[1][b] + odd[2][low] + odd[2][high]
            cost = float((off / SUM_SD) ** 2 + weak + all_odd - explained + UNLIKELY)
            names = (("top", 0, top, a), ("bottom", 0, bottom, b), ("open", 0, both, low), ("open", 1, both, high))
            named = tuple(_named(take, 0, place, lines, int(i)) for take, place, lines, i in names)
            if _is_pair(named) and (not best or cost < best[0][0]):
                best = [(cost, named)]
    return best


def _sum_rule(a: float, b: float, low: float, high: float) -> float:
    """Relative miss of f1^2 + f2^2 = fA^2 + fB^2."""
    return (low**2 + high**2) / (a**2 + b**2) - 1.0


def _named(take: str, m: int, place: int, lines: Lines, i: int) -> Named:
    return Named(
        take, m, place, float(lines.frequency[i]), float(lines.frequency_sd[i]), float(lines.decay_rate[i])
    )  # fmt: skip
