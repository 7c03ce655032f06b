"""The answer of `drumtune pair` in plain text, for people."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.pair_aims import Advice
    from drumtune.cli.pair_job import PairJob, Target
    from drumtune.cli.pair_stand import TwoMass

HEADER = (
    "bottom head            tap near    drum sounds     upper   (1,1) pair      beat   rings, s     top head's",
    "from the top           a rod, Hz   Hz     note     Hz      Hz              Hz     low   high   share, low",
)


def text(job: PairJob) -> str:
    """Whole answer, several lines, without colour."""
    lines = [*opening(job), "", *_table(job), "", *_recommended(job)]
    care = [*job.notes, *job.cautions]
    return "\n".join([*lines, *(["", "Mind:"] if care else []), *(f"  - {line}" for line in care)])


def opening(job: PairJob) -> Iterator[str]:
    """The drum as it stands, what the takes say of it, and how it feels."""
    from drumtune.drum import INCH

    tuning = job.tuning
    place = "near a rod" if tuning.order == 1 else "at the centre"
    yield (
        f"{2.0 * tuning.drum.top.radius / INCH:.4g} x {tuning.drum.depth / INCH:.4g} inch drum; top head "
        f"{_note(tuning.top_hz)} {place} with the bottom muted"
    )
    if tuning.bottom_hz is not None:
        yield f"Bottom head now {_note(tuning.bottom_hz)}, {job.reference.semitones[0]:+.1f} semitones from the top."
    if job.fit is not None:
        fit = job.fit
        yield (
            f"From the takes: coupling {fit.coupling:.1f} ± {fit.coupling_sd:.1f} Hz; this drum's air is "
            f"{fit.spring:.2f} times as stiff and {fit.load:.2f} times as heavy as computed for its size."
        )
    yield (
        f"Feel: {job.stiffness / 1000.0:.2f} N/mm under the stick's tip, which stays {1000.0 * job.contact:.1f} ms. "
        "It hangs on the top head alone: every row feels the same."
    )


def _table(job: PairJob) -> Iterator[str]:
    from drumtune.notes import interval_name, note_name

    yield from HEADER
    scan = job.scan
    for i, step in enumerate(scan.semitones):
        start = f"{step:+4.0f} {interval_name(round(float(step))):<18} {scan.bottom_hz[i]:>7.1f}"
        if scan.bottom_tension[i] <= 0.0:
            yield f"{start}     no tension of this head gives that pitch"
            continue
        note, off = note_name(float(scan.low[i]))
        pair = f"{scan.pair11[i, 0]:.1f} {scan.pair11[i, 1]:.1f}"
        yield (
            f"{start}    {scan.low[i]:>6.1f} {note:>3} {off:>+3.0f}  {scan.high[i]:>7.1f}   {pair:<13} "
            f"{scan.beat[i]:>6.1f}   {scan.low_decay[i]:>4.2f}   {scan.high_decay[i]:>4.2f}   "
            f"{100 * scan.share[i, 0, 0]:>4.0f} %{_mark(job, i)}"
        )


def _mark(job: PairJob, i: int) -> str:
    """Words after a row."""
    from drumtune.advice.pair_aims import BEATING

    words = [f"<- {found.rank}." for found in job.advice if found.index == i]
    if job.scan.beating[i] > BEATING:
        words.append("beats")
    if job.scan.stress[i] >= 1.0:
        words.append("film past its safe stress")
    return f"  {', '.join(words)}" if words else ""


def _recommended(job: PairJob) -> Iterator[str]:
    yield aimed(job)
    for first, *rest in recommended(job):
        yield f"  {first}"
        yield from (f"     {line}" for line in rest)


def aimed(job: PairJob) -> str:
    """What the recommendations are for."""
    aim = job.aim.kind if job.aim.kind != "note" else f"the drum sounding {job.aim.note}"
    return f"For {aim}:"


def recommended(job: PairJob) -> Iterator[tuple[str, ...]]:
    """Each recommendation, some lines, none of them indented."""
    for found, target in zip(job.advice, job.targets, strict=True):
        yield tuple(_one(job, found, target))


def _one(job: PairJob, found: Advice, target: Target) -> Iterator[str]:
    from drumtune.advice.pair_aims import named

    place = "near its rods" if job.tuning.order == 1 else "at its centre"
    yield f"{found.rank}. {named(found.semitones)}: tap it {place}, top head muted, for {_note(target.bottom_hz)}"
    if target.turns is not None and target.turns_sd is not None:
        yield _turns(target.turns, target.turns_sd)
    yield found.why


def _turns(turns: float, sd: float) -> str:
    if abs(turns) < 1.0 / 16.0:
        return "as good as where it is"
    way = "raise" if turns > 0 else "lower"
    size = f"{abs(turns):.1f}" if abs(turns) < 3.0 else f"{abs(turns):.0f}"
    return (
        f"{way} every rod by roughly {size} turns from where it is (give or take {sd:.1f}: no drum was measured for "
        "it), crosswise, a quarter turn at a time, listening"
    )


def _note(hz: float) -> str:
    from drumtune.notes import note_name

    name, off = note_name(hz)
    return f"{hz:.1f} Hz ({name} {off:+z.0f} cents)"


def two_mass(two: TwoMass) -> str:
    """The two-mass pair."""
    return "\n".join(
        [
            f"Heads alone {two.top:.1f} and {two.bottom:.1f} Hz, coupling {two.coupling:.1f} Hz (two-mass model)",
            f"lower {_note(two.low)}: {100 * two.top_share[0]:.0f} % of the motion in the top head, heads in parallel",
            f"upper {_note(two.high)}: {100 * two.top_share[1]:.0f} % in the top head, heads against each other",
            f"ratio {two.high / two.low:.3f}",
        ]
    )
