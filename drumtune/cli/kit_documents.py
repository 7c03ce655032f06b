"""The answer of `drumtune kit` for programs and for people.

JSON is strict, names are fixed: `drums` [name, note, frequency_hz, rod_hz, film_stress_mpa, stiffness_n_per_mm,
bottom_offset_semitones, notes], `alternatives`, `conflicts`. A drum also has role, cents (off the note), bottom_rod_hz,
bottom_film_stress_mpa, range_hz, decay_s, room_gain_db, present_hz and change_cents; its `notes` are remarks in words.
What is not known is null.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from drumtune.cli.strict_json import dumps, number

if TYPE_CHECKING:
    from drumtune.cli.kit_job import Alternative, KitJob


def as_json(job: KitJob) -> str:
    """Whole answer as one JSON object."""
    return dumps(document(job))


def document(job: KitJob) -> dict[str, Any]:
    """Whole answer as plain values."""
    return {
        "kit": job.kit.name,
        "intervals": job.pattern,
        "cost": number(job.choice.cost if job.choice else None, 4),
        "drums": [_drum(job, place) for place in range(len(job.voices))],
        "alternatives": [_alternative(job, other) for other in job.alternatives],
        "conflicts": [
            {
                "kind": found.kind,
                "drum": found.drum,
                "other": found.other,
                "value": number(found.value, 3),
                "text": found.text,
            }
            for found in job.conflicts
        ],
    }


def _drum(job: KitJob, place: int) -> dict[str, Any]:
    from drumtune.notes import note_name

    voice, setting = job.voices[place], job.settings[place]
    note, off = note_name(setting.note)
    now = _present(job, place)
    head = voice.stand.bottom
    known = setting.bottom_tension is not None and head is not None and head.thickness
    return {
        "name": voice.stand.name,
        "role": voice.stand.role,
        "note": note,
        "cents": number(off, 1),
        "frequency_hz": number(setting.note, 3),
        "rod_hz": number(setting.rod, 3),
        "film_stress_mpa": number(None if setting.stress is None else setting.stress / 1e6, 3),
        "stiffness_n_per_mm": number(setting.stiffness / 1000.0, 4),
        "bottom_offset_semitones": number(voice.offset, 2) if head is not None else None,
        "bottom_rod_hz": number(setting.bottom_rod, 3),
        "bottom_film_stress_mpa": number((setting.bottom_tension or 0.0) / head.thickness / 1e6, 3)
        if known and head is not None
        else None,
        "range_hz": [number(voice.lowest, 2), number(voice.highest, 2)],
        "decay_s": number(setting.decay, 3),
        "room_gain_db": number(room_gain(job, setting.note), 2),
        "present_hz": number(now, 3),
        "change_cents": number(None if now is None else 1200.0 * math.log2(setting.note / now), 1),
        "notes": list(job.remarks[place]),
    }


def room_gain(job: KitJob, note: float) -> float | None:
    """What the room adds to a note, dB; None where no room was told."""
    import numpy as np

    return None if job.gain is None else float(job.gain(np.array([note]))[0])


def _present(job: KitJob, place: int) -> float | None:
    if job.moves:
        return job.moves[place].now
    now = job.voices[place].present()
    return None if now is None else now[0]


def _alternative(job: KitJob, other: Alternative) -> dict[str, Any]:
    from drumtune.notes import note_name

    return {
        "best_for": other.best_for,
        "intervals": other.pattern,
        "cost": number(other.cost, 4),
        "drums": [
            {"name": voice.stand.name, "note": note_name(note)[0], "frequency_hz": number(note, 3)}
            for voice, note in zip(job.voices, other.notes, strict=True)
        ],
        "gains": list(other.gains),
        "gives_up": list(other.costs),
    }


def text(job: KitJob) -> str:
    """Whole answer for people, several lines, without colour."""
    parts = [list(_table(job)), list(_how(job)), list(_others(job)), list(_trouble(job))]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _table(job: KitJob) -> Iterator[str]:
    from drumtune.notes import note_name

    yield f"{job.kit.name}: {job.pattern}"
    room = "   room" if job.gain is not None else ""
    yield f"drum         note        Hz   rods, Hz   feel, N/mm   film, MPa   bottom head{room}"
    for voice, setting in zip(job.voices, job.settings, strict=True):
        note, off = note_name(setting.note)
        name = note if abs(off) < 0.5 else f"{note} {off:+.0f}"
        film = "     -" if setting.stress is None else f"{setting.stress / 1e6:6.1f}"
        below = "      none" if voice.stand.bottom is None else f"{voice.offset:+5.1f} semi"
        lift = room_gain(job, setting.note)
        last = "" if lift is None else f" {lift:+5.1f} dB"
        feel = f"{setting.stiffness / 1000:6.2f}"
        yield (
            f"{voice.stand.name:<12} {name:<7} {setting.note:6.1f}     {setting.rod:6.1f}       {feel}      {film}"
            f"   {below}{last}"
        )


def _how(job: KitJob) -> Iterator[str]:
    yield "To get there (tap each rod with the other head muted until it sounds 'rods, Hz'):"
    for voice, lines in zip(job.voices, job.remarks, strict=True):
        for line in lines:
            yield f"  {voice.stand.name}: {line}"


def _others(job: KitJob) -> Iterator[str]:
    from drumtune.notes import note_name

    if job.alternatives:
        yield "Other choices:"
    for other in job.alternatives:
        notes = ", ".join(
            f"{voice.stand.name} {note_name(note)[0]}" for voice, note in zip(job.voices, other.notes, strict=True)
        )
        yield f"  {_best(other.best_for)}: {notes}"
        yield f"    gains {'; '.join(other.gains) or 'nothing to speak of'}"
        yield f"    gives up {'; '.join(other.costs) or 'nothing to speak of'}"


def _best(name: str) -> str:
    words = {"feel": "for like feel", "wires": "for quiet wires", "room": "for the room", "steps": "for the steps"}
    return words.get(name, "for drums at their ease" if name == "middle" else "from another lowest note")


def _trouble(job: KitJob) -> Iterator[str]:
    if job.conflicts:
        yield "Mind:"
    for found in job.conflicts:
        yield f"  - {found.text}"
