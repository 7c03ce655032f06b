"""Moves heard in the middle, in words and for programs."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from drumtune.advice.turns import Move, words
from drumtune.cli import strict_json
from drumtune.cli.round_words import signed

if TYPE_CHECKING:
    from drumtune.advice.made import Made
    from drumtune.cli.turned_job import Heard

CHANGED = {0.0: "not turned", -1.0: "the other way", 2.0: "twice as far"}
"""What became of a move, by the turns made over the turns told."""


def text(heard: Heard) -> str:
    """A table of the moves, and what to do."""
    lines = [
        f"{heard.drum}, moves of take {heard.number}: {heard.each} tap{'s' * (heard.each != 1)} in the middle before "
        f"the first and after each; (0,1) was at {heard.frequency:.1f} Hz.",
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
    if made.missing:
        return CHANGED[made.likely / made.told]
    return "as told" if made.audible else "too small to tell"


def advice(heard: Heard) -> list[str]:
    """What to turn now, or that nothing is to be done."""
    wrong = [made for made in heard.made if made.missing]
    if wrong:
        return [
            "To put it right:",
            *(f"  {words(right(made))}" for made in wrong),
            f"If you leave it so, say with the next take: --turned {turned(heard)}",
        ]
    if not any(made.audible for made in heard.made):
        return ["These moves are too small to be heard in the middle: tap all round again."]
    return ["Every move that can be heard was made as told. Which rod was turned, the sound does not say."]


def right(made: Made) -> Move:
    """The move that puts another right."""
    return replace(made.move, action="raise" if made.missing > 0 else "lower", turns=abs(made.missing))


def turned(heard: Heard) -> str:
    """What was turned, as `--turned` wants it."""
    made = [f"{one.move.rod}:{signed(value)}" for one in heard.made if (value := one.told - one.missing)]
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
        "frequency_hz": number(heard.frequency, 3),
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
                "likely_turns": number(made.likely, 4),
                "probability": number(made.probability, 4),
                "missing_turns": number(made.missing, 4),
            }
            for made in heard.made
        ],
        "turned": turned(heard),
    }
    return strict_json.dumps(answer)
