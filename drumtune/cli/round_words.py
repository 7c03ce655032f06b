"""What the log adds to an answer, in words and for programs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drumtune.advice.response import Doubt, Learned, Moved
    from drumtune.cli.round_job import Round
    from drumtune.store.records import Turning

FAR = 0.5
"""Turns of a rod, told by the player, that are asked about (our own choice; a move is a quarter turn at most)."""
SOURCES = {
    "said": "as you said",
    "assumed": "taken as advised; say --turned if it was otherwise",
    "unknown": "not known",
}


def text(done: Round) -> str:
    """Several lines, without colour."""
    again = " (this recording was in the log already: nothing added)" if done.repeated else ""
    lines = [f"{done.drum}: take {done.number} in the log, reading {done.place} of this drum{again}."]
    if done.place > 1:
        lines += [f"Turned before it: {turned(done.turning)}.", *far(done.turning)]
    if done.known.pairs:
        lines += [*learned(done.known), now(done.known)]
    return "\n".join([*lines, *troubles(done.known)])


def turned(turning: Turning) -> str:
    """What was turned and who says so."""
    if turning.source == "unknown":
        return "not known, so that this reading begins anew (gains are kept)"
    moves = [f"rod {i + 1} {signed(value)}" for i, value in enumerate(turning.turned) if value]
    return f"{', '.join(moves) or 'nothing'} ({SOURCES[turning.source]})"


def far(turning: Turning) -> Iterator[str]:
    """Ask to check turns the player told that are larger than any that is advised."""
    rods = [str(i + 1) for i, value in enumerate(turning.turned) if abs(value) > FAR]
    if rods and turning.source == "said":
        yield (
            f"More than half a turn at rod {', '.join(rods)}: is that right? If not, drumtune log undo and say it anew."
        )


def signed(value: float) -> str:
    """Turns as `--turned` wants them, such as +1/8."""
    return f"{'+' if value > 0 else '-'}{Fraction(abs(value)).limit_denominator(64)}"


def learned(known: Learned) -> Iterator[str]:
    """Gains in words: what a turn of one rod does where, and what all rods together do."""
    share = shares(known)
    yield (
        f"This drum, from {known.pairs} round{'s' if known.pairs > 1 else ''}: 1/16 turn of one rod gives "
        f"{share['own']:+.0f} ± {share['own_sd']:.0f} cents there, {share['neighbour']:+.0f} at each neighbour, "
        f"{share['opposite']:+.0f} opposite; of all rods {share['all']:+.0f} ± {share['all_sd']:.0f}."
    )


def shares(known: Learned) -> dict[str, float]:
    """Cents for 1/16 turn of a rod at its own place, its neighbours' and the one opposite, and of all rods."""
    column = known.response.matrix[:, 0] / 16.0
    unit = [0.0] * known.response.rods
    unit[0] = 1.0 / 16.0
    sd = math.sqrt(max(float(known.response.effect_covariance(unit)[0, 0]), 0.0))
    gain = float(known.response.gains[0]) / 16.0
    return {
        "own": float(column[0]),
        "own_sd": sd,
        "neighbour": float(column[1]),
        "opposite": float(column[known.response.rods // 2]),
        "all": gain,
        "all_sd": gain * float(known.response.relative_sd[0]),
    }


def now(known: Learned) -> str:
    """Pulls with all rounds counted."""
    import numpy as np

    from drumtune.notes import cents_told

    pulls = " ".join(f"{pull:+z.0f}" for pull in known.pulls)
    sd = float(np.sqrt(np.diagonal(known.covariance)).mean())
    apart = cents_told(float(np.ptp(known.pulls)))
    return f"Pulls now, all readings counted: {pulls} (± {sd:.0f}); {apart} from lowest to highest."


def troubles(known: Learned) -> Iterator[str]:
    """Rods that were not turned as told, heads that changed without being turned, and rods that do not answer."""
    silent = [answer.rod for answer in known.answers if answer.silent]
    for doubt in known.doubts:
        if doubt.rod not in silent:
            yield doubted(doubt)
    for change in known.moved:
        yield moved(change)
    for rod in silent:
        share = next(answer.share for answer in known.answers if answer.rod == rod)
        yield (
            f"Rod {rod} does not answer: its turns gave about {max(100.0 * share, 0.0):.0f} % of what the others gave. "
            "Look at its thread and lug, the washer, how the head is seated there, and whether the hoop is bent or "
            "touches the shell, before turning it further."
        )


def doubted(doubt: Doubt) -> str:
    """One round in which a rod was probably not turned as told."""
    before = f"Before reading {doubt.place + 1}"
    if doubt.rod == 0:
        return f"{before} nothing seems to have been turned."
    if doubt.instead > 0:
        return f"{before} rod {doubt.instead} seems to have been turned instead of rod {doubt.rod}."
    if doubt.told == 0.0:
        return f"{before} rod {doubt.rod} seems to have been turned too, or to have given way: does it hold?"
    if doubt.likely == 0.0:
        return (
            f"{before} rod {doubt.rod} seems not to have moved, though {signed(doubt.told)} turn was told. If it was "
            "turned, look at its thread, its seat and the hoop."
        )
    found = "by another amount" if math.isnan(doubt.likely) else f"{signed(doubt.likely)} turn"
    return (
        f"{before} rod {doubt.rod} seems to have moved {found} rather than {signed(doubt.told)} turn. If it was turned "
        "as told, look at its thread, its seat and the hoop."
    )


def moved(change: Moved) -> str:
    """One head that changed though nothing was turned."""
    level, pull = change.level_cents, change.pull_cents
    found = []
    if level:
        found.append(f"the head as a whole stands {abs(level):.0f} cents {'lower' if level < 0 else 'higher'}")
    if pull:
        found.append(f"pulls differ, most at rod {change.rod}, by {pull:+.0f} cents")
    return (
        f"Nothing was turned before reading {change.place + 1}, yet against the readings before it "
        f"{' and '.join(found)}: seating, temperature, a poor reading, or rods turned and not told."
    )


def document(done: Round) -> dict[str, Any]:
    """Plain values for programs."""
    known = done.known
    return {
        "drum": done.drum,
        "take": done.number,
        "reading": done.place,
        "repeated": done.repeated,
        "aim": done.aim,
        "turned": {"source": done.turning.source, "turns": [float(value) for value in done.turning.turned]},
        "pairs": known.pairs,
        "pulls_cents": [round(float(value), 2) for value in known.pulls],
        "pull_sd_cents": [
            round(math.sqrt(max(float(known.covariance[i, i]), 0.0)), 2) for i in range(known.pulls.size)
        ],
        "level_cents": round(known.level_cents, 2),
        "sixteenth_turn_cents": {name: round(value, 2) for name, value in shares(known).items()},
        "gain_over_expected": [round(float(value), 3) for value in known.ratio],
        "troubles": list(troubles(known)),
    }
