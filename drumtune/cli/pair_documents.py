"""The answer of `drumtune pair` for programs: strict JSON in fixed names; what is not a finite number is null.

`offsets`, `recommended`, `feel` and `fit` are fixed; beside them stand `stand`, `aim`, `targets` (where to take the
bottom head, in the order of `recommended`), `lines` (measured against computed), `notes` and `cautions`. Shares are
those of the lower (0,1) mode; the pair's decays are T60.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from drumtune.cli.strict_json import dumps, number

if TYPE_CHECKING:
    from drumtune.advice.pair import Scan
    from drumtune.cli.pair_job import PairJob, Target
    from drumtune.cli.pair_stand import TwoMass


def as_json(job: PairJob) -> str:
    """Whole answer as one JSON object."""
    return dumps(document(job))


def document(job: PairJob) -> dict[str, Any]:
    """Whole answer as plain values."""
    from drumtune.drum import INCH, MIL

    drum, fit = job.tuning.drum, job.fit
    heads = {"top": drum.top, "bottom": drum.bottom}
    return {
        "stand": {
            "diameter_in": number(2.0 * drum.top.radius / INCH, 4),
            "depth_in": number(drum.depth / INCH, 4),
            "top_hz": number(job.tuning.top_hz, 3),
            "bottom_hz": number(job.tuning.bottom_hz, 3),
            "pitch": "rod" if job.tuning.order == 1 else "centre",
            **{f"{n}_film_mil": number(h.thickness / MIL, 3) if h and h.thickness else None for n, h in heads.items()},
            **{f"{n}_surface_density_kg_m2": number(h.surface_density if h else None, 5) for n, h in heads.items()},
        },
        "aim": job.aim.kind if job.aim.kind != "note" else f"note {job.aim.note}",
        "offsets": [_offset(job.scan, i) for i in range(job.scan.semitones.size)],
        "recommended": [
            {"rank": found.rank, "semitones": _steps(found.semitones), "why": found.why} for found in job.advice
        ],
        "targets": [_target(found.rank, target) for found, target in zip(job.advice, job.targets, strict=True)],
        "feel": {
            "stiffness_n_per_mm": number(job.stiffness / 1000.0, 4),
            "contact_ms": number(1000.0 * job.contact, 3),
        },
        "fit": {
            "coupling_hz": number(fit.coupling if fit else None, 3),
            "coupling_sd_hz": number(fit.coupling_sd if fit else None, 3),
            "residual_cents": number(fit.residual_cents if fit else None, 3),
        },
        "lines": [
            {
                "take": line.line.take,
                "m": line.line.m,
                "n": 1,
                "measured_hz": number(line.line.frequency, 3),
                "computed_hz": number(line.model_hz, 3),
                "difference_cents": number(line.cents, 2),
            }
            for line in (fit.lines if fit else ())
        ],
        "notes": list(job.notes),
        "cautions": list(job.cautions),
    }


def two_mass_json(two: TwoMass) -> str:
    """The two-mass pair in the same names, one offset; what a drum alone could tell is null."""
    from drumtune.notes import interval_name

    semitones = 12.0 * math.log2(two.bottom / two.top)
    row = dict.fromkeys(
        ("semitones", "interval", "bottom_hz", "low_hz", "high_hz", "ratio", "pair11_hz", "beat_hz", "low_decay_s",
         "high_decay_s", "top_share", "bottom_share")
    ) | {
        "semitones": number(semitones, 3),
        "interval": interval_name(round(semitones)),
        "bottom_hz": number(two.bottom, 3),
        "low_hz": number(two.low, 4),
        "high_hz": number(two.high, 4),
        "ratio": number(two.high / two.low, 5),
        "pair11_hz": [None, None],
        "top_share": number(two.top_share[0], 4),
        "bottom_share": number(1.0 - two.top_share[0], 4),
    }  # fmt: skip
    return dumps(
        {
            "offsets": [row],
            "recommended": [],
            "feel": {"stiffness_n_per_mm": None, "contact_ms": None},
            "fit": {"coupling_hz": number(two.coupling, 3), "coupling_sd_hz": None, "residual_cents": None},
        }
    )


def _offset(scan: Scan, i: int) -> dict[str, Any]:
    from drumtune.notes import interval_name

    steps = _steps(float(scan.semitones[i]))
    return {
        "semitones": steps,
        "interval": interval_name(round(float(scan.semitones[i]))),
        "bottom_hz": number(scan.bottom_hz[i], 3),
        "low_hz": number(scan.low[i], 3),
        "high_hz": number(scan.high[i], 3),
        "ratio": number(scan.high[i] / scan.low[i], 4),
        "pair11_hz": [number(f, 3) for f in scan.pair11[i]],
        "beat_hz": number(scan.beat[i], 3),
        "low_decay_s": number(scan.low_decay[i], 4),
        "high_decay_s": number(scan.high_decay[i], 4),
        "top_share": number(scan.share[i, 0, 0], 4),
        "bottom_share": number(scan.share[i, 0, 1], 4),
    }


def _target(rank: int, target: Target) -> dict[str, Any]:
    from drumtune.notes import note_name

    note, off = note_name(target.bottom_hz)
    return {
        "rank": rank,
        "bottom_hz": number(target.bottom_hz, 3),
        "bottom_note": note,
        "bottom_cents": number(off, 1),
        "turns": number(target.turns, 2),
        "turns_sd": number(target.turns_sd, 2),
    }


def _steps(semitones: float) -> float | int:
    """Semitones as a whole number where they are one."""
    return round(semitones) if semitones == round(semitones) else round(semitones, 3)
