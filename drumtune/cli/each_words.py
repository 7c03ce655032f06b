"""Answers to several takes of one drum: a table for people, JSON and CSV for programs, one line or row per take.

The JSON has one name, `takes`: a list in the order given. A take that was read has there what `drumtune even --json`
says of it; one that was not has `take.files` and `failure`, a sentence.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from drumtune.cli import documents
from drumtune.cli.each_job import Failed
from drumtune.cli.strict_json import dumps, number
from drumtune.files import shown

if TYPE_CHECKING:
    from pathlib import Path

    from drumtune.advice.turns import Move
    from drumtune.cli.job import Job

CSV_COLUMNS = ("take", "taps_used", "verdict", "spread_cents", "spread_sd_cents")
"""Columns before `pull_cents_1`, `pull_cents_2` ... of the rods and `failure`."""
NOT_READ = "not read"


def text(takes: Sequence[Path], answers: Sequence[Job | Failed]) -> str:
    """A table, one line per take under a head."""
    return "\n".join(_lines([shown(path) for path in takes], answers))


def _lines(names: Sequence[str], answers: Sequence[Job | Failed]) -> Iterator[str]:
    width = max(4, *(len(name) for name in names))
    yield f"{'take':<{width}}   taps   verdict    spread, cents   moves"
    for name, answer in zip(names, answers, strict=True):
        if isinstance(answer, Failed):
            yield f"{name:<{width}}   {'-':>4}   {NOT_READ}"
            continue
        reading = answer.reading
        spread = f"{reading.spread_cents:.0f} ± {reading.spread_sd_cents:.0f}"
        moves = ", ".join(_move(move) for move in answer.plan.moves) or "none"
        yield f"{name:<{width}}   {_taps(answer):>4}   {reading.verdict:<8}   {spread:>13}   {moves}"


def _move(move: Move) -> str:
    return f"rod {move.rod} {move.action} {Fraction(move.turns).limit_denominator(64)}"


def _taps(answer: Job) -> int:
    return sum(rod.taps_used for rod in answer.reading.rods)


def failure(answer: Failed) -> str:
    """Why a take was not read, with its name in front."""
    name = shown(answer.path)
    return answer.failure if answer.failure.startswith(name) else f"{name}: {answer.failure}"


def as_json(answers: Sequence[Job | Failed]) -> str:
    """All answers as one JSON object."""
    return dumps({"takes": [_document(answer) for answer in answers]})


def _document(answer: Job | Failed) -> dict[str, Any]:
    if isinstance(answer, Failed):
        return {"take": {"files": [str(answer.path)]}, "failure": answer.failure}
    return documents.document(answer)


def as_csv(takes: Sequence[Path], answers: Sequence[Job | Failed], rods: int) -> str:
    """One row per take."""
    pulls = [f"pull_cents_{rod}" for rod in range(1, rods + 1)]
    out = io.StringIO()
    table = csv.DictWriter(out, [*CSV_COLUMNS, *pulls, "failure"], lineterminator="\n")
    table.writeheader()
    for path, answer in zip(takes, answers, strict=True):
        table.writerow({"take": str(path)} | _row(answer))
    return out.getvalue()


def _row(answer: Job | Failed) -> dict[str, Any]:
    if isinstance(answer, Failed):
        return {"failure": answer.failure}
    reading = answer.reading
    known = {
        "taps_used": _taps(answer),
        "verdict": reading.verdict,
        "spread_cents": number(reading.spread_cents, 2),
        "spread_sd_cents": number(reading.spread_sd_cents, 2),
    }
    return known | {f"pull_cents_{rod.rod}": number(rod.pull_cents, 2) for rod in reading.rods}
