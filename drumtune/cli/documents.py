"""A reading and its moves for programs: the JSON of `--json` and the table of `--csv`.

Names are fixed: `stand`, `take`, `rods`, `modes`, `spread_cents`, `spread_sd_cents`, `verdict`, `moves` and
`expected_spread_cents`, with `reasons`, `notes` and `cautions` as sentences beside them. Strict JSON: what is not a
finite number is null.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from drumtune.cli.strict_json import dumps, number

if TYPE_CHECKING:
    from drumtune.advice.reading import ModeReading, RodReading
    from drumtune.cli.job import Job

CSV_COLUMNS = (
    "rod", "pull_cents", "pull_sd_cents", "heard_hz", "heard_note", "heard_cents", "taps_used", "action", "turns",
)  # fmt: skip


def as_json(job: Job, extra: Mapping[str, Any] | None = None) -> str:
    """Whole answer as one JSON object, with names beside the fixed ones in `extra`."""
    return dumps(document(job) | dict(extra or {}))


def document(job: Job) -> dict[str, Any]:
    """Whole answer as plain values, in the fixed names."""
    reading = job.reading
    return {
        "stand": _stand(job),
        "take": {
            "files": [str(path) for path in job.files],
            "duration_s": number(job.duration, 4),
            "sample_rate_hz": number(job.sample_rate, 3),
            "warnings": [*job.warnings, *reading.warnings],
        },
        "rods": [_rod(rod) for rod in reading.rods],
        "modes": [_mode(mode) for mode in reading.modes],
        "spread_cents": number(reading.spread_cents, 2),
        "spread_sd_cents": number(reading.spread_sd_cents, 2),
        "verdict": reading.verdict,
        "reasons": list(reading.reasons),
        "moves": [
            {"order": move.order, "rod": move.rod, "action": move.action, "turns": number(move.turns, 4)}
            for move in job.plan.moves
        ],
        "expected_spread_cents": number(job.plan.expected_spread_cents, 2),
        "notes": list(job.plan.notes),
        "cautions": list(job.plan.cautions),
    }


def as_csv(job: Job) -> str:
    """One row per rod, with the move it needs if any."""
    todo = {move.rod: move for move in job.plan.moves}
    text = io.StringIO()
    table = csv.DictWriter(text, CSV_COLUMNS, lineterminator="\n", extrasaction="ignore")
    table.writeheader()
    for rod in job.reading.rods:
        move = todo.get(rod.rod)
        action = {} if move is None else {"action": move.action, "turns": number(move.turns, 4)}
        table.writerow(_rod(rod) | action)
    return text.getvalue()


def _stand(job: Job) -> dict[str, Any]:
    from drumtune.drum import INCH, MIL

    drum = job.reading.drum
    return {
        "diameter_in": number(2.0 * drum.head.radius / INCH, 4),
        "rods": drum.rods,
        "taps_per_rod": job.taps_per_rod,
        "tap_distance_mm": number(1000.0 * drum.tap_distance, 3),
        "film_mil": number(drum.head.thickness / MIL, 3) if drum.head.thickness else None,
        "surface_density_kg_m2": number(drum.head.surface_density, 5),
        "hoop": drum.hoop,
    }


def _rod(rod: RodReading) -> dict[str, Any]:
    from drumtune.notes import note_if_known

    note, off = note_if_known(rod.heard_hz)
    return {
        "rod": rod.rod,
        "pull_cents": number(rod.pull_cents, 2),
        "pull_sd_cents": number(rod.pull_sd_cents, 2),
        "heard_hz": number(rod.heard_hz, 3),
        "heard_note": note,
        "heard_cents": number(off, 1),
        "taps_used": rod.taps_used,
        "partials": [
            {"frequency_hz": number(frequency, 3), "level_db": number(level, 2)} for frequency, level in rod.partials
        ],
    }


def _mode(mode: ModeReading) -> dict[str, Any]:
    return {
        "m": mode.m,
        "n": mode.n,
        "frequency_hz": number(mode.frequency_hz, 4),
        "frequency_sd_hz": number(mode.frequency_sd_hz, 5),
        "decay_s": number(mode.decay_s, 4),
    }
