"""Reports of one drum: what `even`, `ring` and `pair` found, as documents. Loaded only when a report is asked for."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from drumtune.report.content import Document, Picture, Section, Table

if TYPE_CHECKING:
    from drumtune.advice.pair import Scan
    from drumtune.advice.ring import HitReading
    from drumtune.cli.job import Job
    from drumtune.cli.pair_job import PairJob
    from drumtune.cli.ring_words import Answer
    from drumtune.dsp.decay import Figure as DecayFigure

SURE_EVEN = (
    "Behind ± stands one standard deviation: in two of three takes the true value lies within it, in nineteen of "
    "twenty within twice as much."
)


def even(job: Job) -> Document:
    """The answer of `drumtune even`."""
    from drumtune.cli import words

    reading, plan = job.reading, job.plan
    lead = (words.verdict(reading), *reading.reasons)
    sections = (
        Section("What to turn", (*words.numbered(plan), *words.beside(plan, reading))),
        Section("How tight the head is", (SURE_EVEN,), (_rods(job),), _even_pictures(job)),
        Section("Its modes", ("T60 is the time in which a mode falls by 60 dB.",), (_modes(job),)),
    )
    return Document(f"Evenness: {words.headline(job)}", lead, sections, tuple(words.cautions(job)))


def _rods(job: Job) -> Table:
    from drumtune.notes import note_if_known

    todo = {move.rod: f"{move.action} {Fraction(move.turns).limit_denominator(64)} turn" for move in job.plan.moves}
    rows = []
    for rod in job.reading.rods:
        note, off = note_if_known(rod.heard_hz)
        heard = f"{rod.heard_hz:.1f} Hz, {note} {off:+.0f}" if note else "not known"
        pull = f"{rod.pull_cents:+.1f} ± {rod.pull_sd_cents:.1f}"
        rows.append((
            str(rod.rod), pull, heard, str(rod.taps_used), todo.get(rod.rod, "leave"),
        ))  # fmt: skip
    return Table(("rod", "pull, cents", "heard there", "taps used", "move"), tuple(rows))


def _modes(job: Job) -> Table:
    rows = tuple(
        (f"({mode.m},{mode.n})", f"{mode.frequency_hz:.2f} ± {mode.frequency_sd_hz:.2f}", f"{mode.decay_s:.2f}")
        for mode in job.reading.modes
    )
    return Table(("mode", "Hz", "T60, s"), rows)


def _even_pictures(job: Job) -> tuple[Picture, ...]:
    from drumtune.advice.head_map import head_map
    from drumtune.plots.overview import pictures

    reading, figures = job.reading, pictures(job.reading, job.plan.moves, head_map(job.reading))
    pulls = ", ".join(f"rod {rod.rod} {rod.pull_cents:+.0f}" for rod in reading.rods)
    return (
        Picture(
            figures["rim-strip.png"],
            "Rim strip: the rim cut open at rod 1 and laid flat; up is tighter, bars are one standard deviation.",
            f"Pull at each rod in cents: {pulls}; with the moves beside the rods.",
        ),
        Picture(
            figures["head.png"],
            "The head from above: tension in cents, and where the two (1,1) modes stand still.",
            f"Tension over the head, {reading.spread_cents:.0f} cents from its slackest rod to its tightest.",
        ),
        Picture(
            figures["lines.png"],
            "Lines heard at each rod, longer where stronger.",
            "Frequencies of the strongest lines at each rod; much alike all round, and so a poor guide to the tension.",
        ),
    )


def ring(answer: Answer) -> Document:
    """The answer of `drumtune ring`."""
    from drumtune.advice.cautions import hearing_caution

    shown = answer.shown
    borne = "A figure marked not valid is not borne by the recording, for the reason told here."
    sections = [
        Section("What to do about it", answer.advice),
        Section("The hits", (borne, *_remarks(answer)), (_hits(answer),)),
        Section("Partials of the hit in the pictures", (), (_partials(shown),), _ring_pictures(answer)),
    ]  # fmt: skip
    if answer.changes:
        sections.insert(1, Section("What the damping did", (), (_changes(answer),)))
    settled = "no note stands out" if shown.note is None else f"{shown.settled_hz:.1f} Hz, {shown.note[0]}"
    lead = (f"{len(answer.hits)} hit{'s' if len(answer.hits) > 1 else ''}; settles at {settled}.",)
    return Document("Ring: what the drum's sound does over time", lead, tuple(sections), (hearing_caution(),))


def _hits(answer: Answer) -> Table:
    rows = []
    for number, hit in enumerate(answer.hits, start=1):
        glide = "-" if hit.glide_cents is None else f"{hit.glide_cents:+.0f}"
        settled = "-" if hit.settled_hz is None else f"{hit.settled_hz:.1f}"
        figures = map(_decay, (hit.figures.edt, hit.figures.t20, hit.figures.t30))
        rows.append((str(number), settled, glide, *figures))
    return Table(("hit", "settles, Hz", "falls, cents", "EDT, s", "T20, s", "T30, s"), tuple(rows))


def _remarks(answer: Answer) -> Iterator[str]:
    """What is not valid and why, and faults, one line per hit that has any."""
    for number, hit in enumerate(answer.hits, start=1):
        figures = (hit.figures.edt, hit.figures.t20, hit.figures.t30)
        told = dict.fromkeys([*hit.faults, *(figure.reason for figure in figures if figure.reason)])
        if told:
            yield f"Hit {number}: {'; '.join(told)}."


def _decay(figure: DecayFigure) -> str:
    if figure.value is None:
        return "-"
    return f"{figure.value:.2f}" + ("" if figure.valid else " not valid")


def _partials(hit: HitReading) -> Table:
    rows = tuple(
        (
            f"{p.frequency_hz:.2f} ± {p.frequency_sd_hz:.2f}", f"{p.level_db:.0f}",
            f"{p.decay_s:.2f} ± {p.decay_sd_s:.2f}", f"({p.mode[0]},{p.mode[1]})" if p.mode else "-",
        )
        for p in hit.partials
    )  # fmt: skip
    return Table(("Hz", "level, dB", "T60, s", "mode"), rows)


def _changes(answer: Answer) -> Table:
    rows = tuple(
        (
            f"{c.before_hz:.1f}", f"{c.before_s:.2f}", f"{c.after_s:.2f}", f"{c.percent:+.0f} %",
            f"{c.moved_cents:+.0f}", "yes" if c.sure else "no",
        )
        for c in answer.changes
    )  # fmt: skip
    return Table(("Hz", "T60 before, s", "after, s", "change", "moved, cents", "sure"), rows)


def _ring_pictures(answer: Answer) -> tuple[Picture, ...]:
    from drumtune.dsp.decay_map import decay_map
    from drumtune.plots import ring as plots
    from drumtune.plots import style

    hit = answer.shown
    which = f" {answer.shown_name}." if answer.shown_name else ""
    level = style.figure(plots.HEIGHTS[0])
    plots.level_decay(level.subplots(), hit)
    note = style.figure(plots.HEIGHTS[2])
    plots.after_note(note.subplots(), hit)
    t20 = _decay(hit.figures.t20)
    fall = "no note stands out" if hit.glide_cents is None else f"it falls {hit.glide_cents:.0f} cents"
    found = [
        Picture(level, f"How the level falls.{which}", f"Level over time with the fitted decays; T20 is {t20} s."),
        Picture(note, f"After-note: how the pitch settles.{which}", f"Pitch of the main partial over time: {fall}."),
    ]
    if hit.signal.size >= 0.25 * hit.rate:
        spread = style.figure(plots.HEIGHTS[1])
        plots.decay_picture(spread.subplots(), decay_map(hit.signal, hit.rate, hit.lines), hit)
        words = f"Sound over time and frequency with {len(hit.partials)} partials."
        found.insert(1, Picture(spread, f"What rings, and how long.{which}", words))
    if answer.changes:
        change = style.figure(1.4 + 0.55 * len(answer.changes))
        plots.before_after(change.subplots(), answer.changes)
        sure = sum(c.sure for c in answer.changes)
        words = f"Decay of {len(answer.changes)} partials before and after, {sure} surely changed."
        found.append(Picture(change, "What the damping did.", words))
    return tuple(found)


def pair(job: PairJob) -> Document:
    """The answer of `drumtune pair`."""
    from drumtune.cli import pair_words

    lead = tuple(pair_words.opening(job))
    recommended = (line for one in pair_words.recommended(job) for line in one)
    sections = (
        Section("How far to take the bottom head", (pair_words.aimed(job), *recommended)),
        Section("What each offset does", (_how_sure(job),), (_offsets(job),), _pair_pictures(job)),
    )
    return Document("Pair: the two heads", lead, sections, (*job.notes, *job.cautions))


def _how_sure(job: PairJob) -> str:
    if job.fit is None:
        return (
            "All figures are computed from the drum as described, not measured: film, air and losses as usual. Three "
            "takes would put in this drum's own coupling and air, and its losses."
        )
    return (
        f"Computed with this drum's own air and losses, from its takes: coupling {job.fit.coupling:.1f} ± "
        f"{job.fit.coupling_sd:.1f} Hz; model and takes differ by {job.fit.model_cents:.0f} cents rms."
    )


def _offsets(job: PairJob) -> Table:
    scan = job.scan
    rows = tuple(_offset(scan, i) for i in range(scan.semitones.size))
    return Table(
        ("bottom, semitones", "tap near a rod, Hz" if job.tuning.order == 1 else "tap at centre, Hz", "drum sounds, Hz",
         "upper, Hz", "(1,1) beat, Hz", "rings, s", "film, % of safe"), rows
    )  # fmt: skip


def _offset(scan: Scan, i: int) -> tuple[str, ...]:
    if scan.bottom_tension[i] <= 0.0:
        return (f"{scan.semitones[i]:+.0f}", f"{scan.bottom_hz[i]:.1f}", "no tension gives that", "-", "-", "-", "-")
    stress = "-" if scan.stress[i] != scan.stress[i] else f"{100.0 * scan.stress[i]:.0f}"
    return (
        f"{scan.semitones[i]:+.0f}", f"{scan.bottom_hz[i]:.1f}", f"{scan.low[i]:.1f}", f"{scan.high[i]:.1f}",
        f"{scan.beat[i]:.1f}", f"{scan.low_decay[i]:.2f}", stress,
    )  # fmt: skip


def _pair_pictures(job: PairJob) -> tuple[Picture, ...]:
    import numpy as np

    from drumtune.advice.pair_aims import named
    from drumtune.plots import pair as plots
    from drumtune.plots import style

    scan = job.scan
    usable = np.flatnonzero(scan.usable)
    low, high = float(np.nanmin(scan.low[usable])), float(np.nanmax(scan.low[usable]))
    beating = int(np.nanargmax(np.nan_to_num(scan.beating, nan=-1.0)))
    found = []
    for name, draw, caption, alt in (
        ("branches", plots.branches, "What the drum sounds against the bottom head's offset.",
         f"The drum's note goes from {low:.0f} to {high:.0f} Hz over the bottom head's offsets."),
        ("decay", plots.decay, "How long both (0,1) modes ring.",
         f"The note rings {float(np.nanmax(scan.low_decay[usable])):.2f} s at the most, "
         f"{float(np.nanmin(scan.low_decay[usable])):.2f} s at the least."),
        ("beat", plots.beat, "How far the (1,1) pair is apart, and where it beats.",
         f"Beats are most striking at {named(scan.semitones[beating])}: {scan.beat[beating]:.1f} a second."),
    ):  # fmt: skip
        figure = style.figure(4.4 if name == "branches" else 3.2)
        axes = figure.subplots()
        draw(axes, scan)
        plots.mark(axes, job.aim, job.advice, job.best, words=name == "branches")
        axes.set_xlabel("bottom head from the top head, semitones")
        found.append(Picture(figure, caption, alt))
    return tuple(found)
