"""Moves heard at the rods, in words and for programs."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.made import Slip, missing_turns
from drumtune.advice.turns import Move, signed_turns, words
from drumtune.cli import strict_json
from drumtune.cli.round_words import signed

if TYPE_CHECKING:
    from drumtune.advice.made import Made
    from drumtune.cli.turned_job import Heard

CHANGED = {Slip(0.0): "not turned", Slip(-1.0): "the other way", Slip(2.0): "twice as far"}
"""What became of a move."""


def text(heard: Heard) -> str:
    """A table of the moves, and what to do."""
    lines = [
        f"{heard.drum}, moves of take {heard.number}: {heard.each} tap{'s' * (heard.each != 1)} after each, at the rod "
        "turned; change of the head as a whole:",
        "",
        "order  rod  told              expected  heard         made",
    ]
    for made in heard.made:
        lines.append(
            f"{made.move.order:>5}  {made.move.rod:>3}  {_told(made):<16}  {made.expected_cents:+6.1f} c  "
            f"{made.heard_cents:+6.1f} ± {made.heard_sd_cents:.1f} c  {verdict(made)}"
        )
    return "\n".join([*lines, "", *advice(heard)])


def verdict(made: Made) -> str:
    """What became of one move, in a few words."""
    if made.instead:
        return f"rod {made.instead} instead"
    if made.wrong:
        return CHANGED[made.likely]
    return "as told" if made.audible else "too small to tell"


def advice(heard: Heard) -> list[str]:
    """What to turn now, or that nothing is to be done."""
    right = missing_turns(heard.made, heard.made[0].rods)
    if np.any(right):
        return [
            "To put it right:",
            *(f"  {words(move)}" for move in righting(right)),
            f"If you leave it so, say with the next take: --turned {turned(heard)}",
        ]
    if not any(made.audible for made in heard.made):
        return ["These moves are too small to be heard: tap all round again."]
    return ["Every move that can be heard was made as told."]


def righting(turns: NDArray[np.float64]) -> list[Move]:
    """Moves that make signed turns (N,)."""
    return [
        Move(order, int(rod) + 1, "raise" if turns[rod] > 0.0 else "lower", abs(float(turns[rod])))
        for order, rod in enumerate(np.flatnonzero(turns), start=1)
    ]


def turned(heard: Heard) -> str:
    """What was turned, as `--turned` wants it."""
    turns = signed_turns([made.move for made in heard.made], heard.made[0].rods)
    turns -= missing_turns(heard.made, turns.size)
    made = [f"{int(rod) + 1}:{signed(float(turns[rod]))}" for rod in np.flatnonzero(np.abs(turns) > 1e-9)]
    return ",".join(made) or "none"


def _told(made: Made) -> str:
    return f"{made.move.action} {Fraction(made.move.turns).limit_denominator(64)} turn"


def as_json(heard: Heard) -> str:
    """The whole answer as JSON."""
    number = strict_json.number
    answer = {
        "drum": heard.drum,
        "take": heard.number,
        "taps_each": heard.each,
        "moves": [
            {
                "order": made.move.order,
                "rod": made.move.rod,
                "action": made.move.action,
                "turns": number(made.move.turns, 4),
                "expected_cents": number(made.expected_cents, 2),
                "heard_cents": number(made.heard_cents, 2),
                "heard_sd_cents": number(made.heard_sd_cents, 2),
                "made": verdict(made),
                "instead": made.instead or None,
                "probability": number(made.probability, 4),
            }
            for made in heard.made
        ],
        "missing": [number(turn, 4) for turn in missing_turns(heard.made, heard.made[0].rods)],
        "turned": turned(heard),
    }
    return strict_json.dumps(answer)
