"""The answer of `drumtune room` for programs and for people.

JSON is strict, names are fixed: `modes`, `schroeder_hz`, `bands`, `notes`; beside them stand the room itself (`size_m`,
`volume_m3`, `drum_at_m`, `mic_at_m`, `t60`, `t60_source`), `mode_count`, `response` (gain in dB from `start_hz` in
steps of `step_hz`, what `drumtune kit --room` reads), `lines`, `rings` and `warnings`. What is not a finite
number is null.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from drumtune.cli.strict_json import dumps, number

if TYPE_CHECKING:
    from drumtune.advice.room import NoteGain
    from drumtune.advice.room_sound import Line
    from drumtune.cli.room_job import RoomJob
    from drumtune.physics.room import Modes

LISTED = 12
"""Modes shown to people."""


def as_json(job: RoomJob, modes_to: float) -> str:
    """Whole answer as one JSON object, modes listed up to `modes_to` Hz."""
    return dumps(document(job, modes_to))


def document(job: RoomJob, modes_to: float) -> dict[str, Any]:
    """Whole answer as plain values."""
    from drumtune.physics.room import mode_count, reverberation_at

    report, room = job.report, job.report.room
    curve, t60 = report.curve, room.reverberation or ((500.0, float(reverberation_at(room, 500.0))),)
    return {
        "size_m": list(room.size),
        "volume_m3": number(room.volume, 3),
        "drum_at_m": list(report.drum_at) if report.drum_at else None,
        "mic_at_m": list(report.mic_at) if report.mic_at else None,
        "t60": [{"frequency_hz": number(f, 2), "t60_s": number(t, 4)} for f, t in t60],
        "t60_source": job.source,
        "schroeder_hz": number(report.schroeder, 3),
        "mode_count": number(float(mode_count(room, report.schroeder)), 1),
        "modes": modes_json(report.modes, modes_to),
        "bands": [
            {
                "centre_hz": number(band.centre, 3),
                "t20_s": number(band.t20, 4),
                "t30_s": number(band.t30, 4),
                "valid": band.valid,
                "reason": band.reason,
                "recordings": band.count,
            }
            for band in job.bands
        ],
        "notes": [_note(note, report.modes) for note in report.notes],
        "response": {
            "start_hz": number(curve.frequency[0], 3),
            "step_hz": number(curve.frequency[1] - curve.frequency[0], 3),
            "gain_db": [number(gain, 2) for gain in curve.gain_db],
        },
        "lines": [_line(line, report.modes) for line in job.lines],
        "rings": [
            {**_line(ring.line, report.modes), "fall_db": number(ring.fall_db, 2), "owner": ring.owner, "why": ring.why}
            for ring in job.rings
        ],
        "warnings": list(job.warnings),
    }


def modes_json(modes: Modes, limit: float) -> list[dict[str, Any]]:
    """Modes up to a limit in Hz."""
    count = int((modes.frequency <= limit).sum())
    rows = zip(modes.frequency[:count], modes.n[:count].tolist(), modes.kind[:count], modes.decay[:count], strict=True)
    return [{"frequency_hz": number(f, 3), "n": n, "kind": kind, "decay_s": number(d, 4)} for f, n, kind, d in rows]


def _note(note: NoteGain, modes: Modes) -> dict[str, Any]:
    return {
        "note": note.name,
        "frequency_hz": number(note.frequency, 3),
        "gain_db": number(note.gain_db, 2),
        "verdict": note.verdict,
        "nearest_mode": None if note.mode is None else modes.n[note.mode].tolist(),
        "nearest_mode_hz": None if note.mode is None else number(modes.frequency[note.mode], 3),
    }


def _line(line: Line, modes: Modes) -> dict[str, Any]:
    return {
        "frequency_hz": number(line.frequency, 3),
        "frequency_sd_hz": number(line.frequency_sd, 4),
        "decay_s": number(line.decay, 4),
        "level_db": number(line.level_db, 2),
        "n": None if line.mode is None else modes.n[line.mode].tolist(),
        "modes_near": line.near,
    }


SOURCES = {
    "measured": "measured",
    "given": "as given",
    "absorption": "from the walls' absorption (Eyring)",
    "assumed": "assumed, as nobody has measured it: clap, or give --t60-s",
}


def text(job: RoomJob) -> str:
    """Whole answer for people, several lines, without colour."""
    parts = [headline(job), _bands(job), _notes(job), _modes(job), _lines(job), _rings(job)]
    care = [f"  - {line}" for line in job.warnings]
    return "\n\n".join("\n".join(part) for part in [*map(list, parts), ["Mind:", *care] if care else []] if part)


def headline(job: RoomJob) -> Iterator[str]:
    """The room, where its decay comes from, and how far single modes count."""
    from drumtune.physics.room import mode_count, reverberation_at

    report, room = job.report, job.report.room
    decay = float(reverberation_at(room, report.schroeder))
    size = " x ".join(f"{side:g}" for side in room.size)
    yield f"Room {size} m, {room.volume:.0f} m3; T60 {decay:.2f} s ({SOURCES[job.source]})."
    yield (
        f"Single modes count up to the Schroeder frequency, {report.schroeder:.0f} Hz: about "
        f"{float(mode_count(room, report.schroeder)):.0f} of them."
    )
    if report.drum_at is None:
        yield "No places given: notes are the mean over all places. Give --drum-at and --mic-at for yours."


def _bands(job: RoomJob) -> Iterator[str]:
    from drumtune.dsp.bands import nominal

    if job.bands:
        yield "octave, Hz    T20, s    T30, s"
    for band in job.bands:
        t20, t30 = (f"{value:6.2f}" if value else "     -" for value in (band.t20, band.t30))
        doubt = "" if band.valid else f"    not valid: {band.reason}"
        yield f"{nominal(band.centre):10g}    {t20}    {t30}{doubt}"


def _notes(job: RoomJob) -> Iterator[str]:
    modes = job.report.modes
    if job.report.notes:
        yield "note       Hz      gain   verdict       nearest mode"
    for note in job.report.notes:
        near = "" if note.mode is None else f"{modes.frequency[note.mode]:.1f} Hz {_name(modes, note.mode)}"
        yield f"{note.name:<5} {note.frequency:7.1f}  {note.gain_db:+5.1f} dB  {note.verdict:<12}  {near}"


def _name(modes: Modes, place: int) -> str:
    return f"({','.join(str(n) for n in modes.n[place])}) {modes.kind[place]}"


def _modes(job: RoomJob) -> Iterator[str]:
    modes = job.report.modes
    yield f"lowest modes, Hz (first {min(LISTED, modes.frequency.size)}):"
    for place in range(min(LISTED, modes.frequency.size)):
        yield f"{modes.frequency[place]:7.1f}  {_name(modes, place):<20}  dies in {modes.decay[place]:.2f} s"


def _lines(job: RoomJob) -> Iterator[str]:
    if job.lines:
        yield "what rings most in the recordings:"
    for line in job.lines:
        few = f"{line.near} computed modes near" if line.near else "no computed mode near"
        name = few if line.mode is None else _name(job.report.modes, line.mode)
        yield f"{line.frequency:7.1f} Hz  T60 {line.decay:5.2f} s  {line.level_db:+5.1f} dB  {name}"


def _rings(job: RoomJob) -> Iterator[str]:
    if job.rings:
        yield "what rings after the drum's hits, and whose it is:"
    for ring in job.rings:
        yield f"{ring.line.frequency:7.1f} Hz  T60 {ring.line.decay:5.2f} s  {ring.owner:<6}  {ring.why}"
