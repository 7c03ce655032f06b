"""A reading and its moves in plain text, for people: what `drumtune even` prints."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.reading import Reading, RodReading
    from drumtune.advice.turns import Plan
    from drumtune.cli.job import Job

COLUMNS = "rod    pull, cents    heard              taps"


def text(job: Job) -> str:
    """Whole answer, several lines, without colour."""
    lines = [headline(job), "", *table(job.reading), "", *judgement(job.reading), "", *moves(job.plan, job.reading)]
    care = cautions(job)
    return "\n".join([*lines, *(["", "Mind:"] if care else []), *(f"  - {line}" for line in care)])


def headline(job: Job) -> str:
    """One line: the drum and what was recorded."""
    from drumtune.drum import INCH
    from drumtune.files import shown

    drum = job.reading.drum
    taps = sum(rod.taps_used for rod in job.reading.rods)
    names = ", ".join(shown(Path(path.name)) for path in job.files)
    return (
        f"{2.0 * drum.head.radius / INCH:.4g} inch head, {drum.rods} rods; "
        f"{taps} taps used in {job.duration:.1f} s of sound ({names})"
    )


def table(reading: Reading) -> Iterator[str]:
    """Table of the rods, one line each under a head."""
    yield COLUMNS
    for rod in reading.rods:
        yield _row(rod)


def _row(rod: RodReading) -> str:
    from drumtune.notes import note_if_known

    note, off = note_if_known(rod.heard_hz)
    heard = f"{rod.heard_hz:>6.1f} Hz {note:>3} {off:>+3.0f}" if note else f"{'not known':>17}"
    return f"{rod.rod:>3}    {rod.pull_cents:>+6.1f} ± {rod.pull_sd_cents:<4.1f}  {heard}  {rod.taps_used:>4}"


def judgement(reading: Reading) -> Iterator[str]:
    """Verdict, spread and reasons."""
    yield verdict(reading)
    for reason in reading.reasons:
        yield f"  {reason}"


def verdict(reading: Reading) -> str:
    """Verdict and spread; the spread is not the table's highest less its lowest, and it is said why."""
    return (
        f"Verdict: {reading.verdict}. Spread {reading.spread_cents:.0f} ± {reading.spread_sd_cents:.0f} cents, "
        "less what the scatter of taps adds."
    )


def moves(plan: Plan, reading: Reading) -> Iterator[str]:
    """Say the moves in order and what to expect of them."""
    if plan.moves:
        yield "Moves, in this order:"
        yield from (f"  {line}" for line in numbered(plan))
    yield from beside(plan, reading)


def numbered(plan: Plan) -> Iterator[str]:
    """One line a move."""
    from drumtune.advice.turns import words

    return (f"{move.order}. {words(move)}" for move in plan.moves)


def beside(plan: Plan, reading: Reading) -> Iterator[str]:
    """What to expect of the moves, or that there are none, and what else is to be said of them."""
    if plan.moves:
        yield expected(plan)
    else:
        yield "No moves: leave every rod as it is." if reading.verdict == "even" else "No moves."
    yield from plan.notes


def expected(plan: Plan) -> str:
    """What the moves are expected to leave, and of what where that is not the spread of the take."""
    what = "Farthest rod from the setting" if plan.to_setting else "Spread expected"
    counted = "" if plan.counted_cents is None else f" (from {plan.counted_cents:.0f} cents, all readings counted)"
    return f"{what} afterwards: {plan.expected_spread_cents:.0f} ± {plan.expected_spread_sd_cents:.0f} cents{counted}."


def cautions(job: Job) -> list[str]:
    """Sentences about the take and cautions about the work, each once."""
    return list(dict.fromkeys([*job.warnings, *job.reading.warnings, *job.plan.cautions]))
