"""Reports of a room and of a kit, as documents. Loaded only when a report is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drumtune.report.content import Document, Picture, Section, Table

if TYPE_CHECKING:
    from drumtune.cli.kit_job import KitJob
    from drumtune.cli.room_job import RoomJob

LISTED = 20
"""Modes told in a report."""
SURE_ROOM = {
    "measured": "The decay is measured; the gains are computed for a bare rectangular room of this size with it.",
    "given": "The decay is as given, not measured; the gains are computed for a bare rectangular room of this size.",
    "absorption": "The decay is computed from the walls' absorption, not measured.",
    "assumed": "The decay is assumed. Gains of narrow peaks hang on it: measure it with claps before you rely on them.",
}
SURE_KIT = (
    "Computed from the drums as described. A drum's own air, films and losses shift its note by some ten cents and "
    "more (docs/pair.md); tap, listen, and trust the drum where the two disagree."
)


def room(job: RoomJob) -> Document:
    """The answer of `drumtune room`."""
    from drumtune.advice.cautions import hearing_caution
    from drumtune.cli.room_documents import headline
    from drumtune.plots.room import overview

    lead = tuple(headline(job))
    report = job.report
    verdicts = ", ".join(f"{note.name} {note.verdict} ({note.gain_db:+z.0f} dB)" for note in report.notes)
    alt = f"Gain over frequency up to {report.schroeder:.0f} Hz and beyond. {verdicts or 'No notes were asked for.'}"
    picture = Picture(overview(report), "What the room does to a note where the microphone is, and its modes.", alt)
    sections = [Section("Notes", (SURE_ROOM[job.source],), (_notes(job),), (picture,))]
    if job.bands:
        sections.append(Section("Decay", (), (_bands(job),)))
    if job.lines:
        sections.append(Section("What rings most in the recordings", (), (_lines(job),)))
    if job.rings:
        sections.append(Section("What rings after the drum's hits, and whose it is", (), (_rings(job),)))
    sections.append(Section("Lowest modes", (), (_modes(job),)))
    return Document("Room: what it does to a drum's notes", lead, tuple(sections), (*job.warnings, hearing_caution()))


def _notes(job: RoomJob) -> Table:
    modes = job.report.modes
    rows = tuple(
        (
            note.name, f"{note.frequency:.1f}", f"{note.gain_db:+.1f}", note.verdict,
            "-" if note.mode is None else f"{modes.frequency[note.mode]:.1f} Hz {modes.kind[note.mode]}",
        )
        for note in job.report.notes
    )  # fmt: skip
    return Table(("note", "Hz", "gain, dB", "verdict", "nearest mode"), rows)


def _bands(job: RoomJob) -> Table:
    from drumtune.dsp.bands import nominal

    rows = tuple(
        (
            f"{nominal(b.centre):g}",
            *(f"{v:.2f}" if v else "-" for v in (b.t20, b.t30)),
            "valid" if b.valid else b.reason,
        )
        for b in job.bands
    )
    return Table(("octave, Hz", "T20, s", "T30, s", "valid"), rows)


def _lines(job: RoomJob) -> Table:
    rows = tuple(
        (f"{line.frequency:.1f} ± {line.frequency_sd:.1f}", f"{line.decay:.2f}", f"{line.level_db:+.0f}")
        for line in job.lines
    )
    return Table(("Hz", "T60, s", "level, dB"), rows)


def _rings(job: RoomJob) -> Table:
    rows = tuple((f"{ring.line.frequency:.1f}", f"{ring.line.decay:.2f}", ring.owner, ring.why) for ring in job.rings)
    return Table(("Hz", "T60, s", "whose", "why"), rows)


def _modes(job: RoomJob) -> Table:
    modes = job.report.modes
    rows = tuple(
        (
            f"{modes.frequency[i]:.1f}",
            f"({','.join(map(str, modes.n[i]))})",
            str(modes.kind[i]),
            f"{modes.decay[i]:.2f}",
        )
        for i in range(min(LISTED, modes.frequency.size))
    )
    return Table(("Hz", "half waves", "kind", "T60, s"), rows)


def kit(job: KitJob) -> Document:
    """The answer of `drumtune kit`."""
    from drumtune.advice.cautions import hearing_caution
    from drumtune.notes import note_name

    both = zip(job.voices, job.settings, strict=True)
    told = [f"{voice.stand.name} {note_name(setting.note)[0]}" for voice, setting in both]
    how = tuple(
        f"{voice.stand.name}: {line}" for voice, lines in zip(job.voices, job.remarks, strict=True) for line in lines
    )
    sections = [
        Section("Notes", (SURE_KIT,), (_drums(job),), (_picture(job, ", ".join(told)),)),
        Section("To get there", ("Tap each rod with the other head muted until it sounds as in the table.", *how)),
    ]
    if job.alternatives:
        sections.append(Section("Other choices", (), (_others(job),)))
    cautions = (*(found.text for found in job.conflicts), hearing_caution())
    return Document(f"Kit: {job.kit.name}", (f"{job.pattern}: {', '.join(told)}.",), tuple(sections), cautions)


def _drums(job: KitJob) -> Table:
    from drumtune.cli.kit_documents import room_gain
    from drumtune.notes import note_name

    rows = []
    for voice, setting in zip(job.voices, job.settings, strict=True):
        gain = room_gain(job, setting.note)
        rows.append((
            voice.stand.name, note_name(setting.note)[0], f"{setting.note:.1f}", f"{setting.rod:.1f}",
            f"{setting.stiffness / 1000.0:.2f}", "-" if setting.stress is None else f"{setting.stress / 1e6:.1f}",
            "none" if voice.stand.bottom is None else f"{voice.offset:+z.1f}",
            "-" if gain is None else f"{gain:+z.1f}",
        ))  # fmt: skip
    head = ("drum", "note", "Hz", "rods, Hz", "feel, N/mm", "film, MPa", "bottom, semitones", "room, dB")
    return Table(head, tuple(rows))


def _others(job: KitJob) -> Table:
    from drumtune.notes import note_name

    rows = tuple(
        (
            other.best_for,
            ", ".join(f"{v.stand.name} {note_name(n)[0]}" for v, n in zip(job.voices, other.notes, strict=True)),
            "; ".join(other.gains) or "nothing to speak of",
            "; ".join(other.costs) or "nothing to speak of",
        )
        for other in job.alternatives
    )
    return Table(("best for", "notes", "gains", "gives up"), rows)


def _picture(job: KitJob, notes: str) -> Picture:
    from drumtune.cli.kit_job import bars
    from drumtune.plots.kit import overview

    caption = "Notes of the kit on a keyboard, and how far each drum reaches."
    return Picture(overview(bars(job), job.gain), caption, f"Each drum's reach as a bar with its note: {notes}.")
