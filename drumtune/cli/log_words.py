"""Takes of the log in words and for programs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drumtune.advice.response import Learned
    from drumtune.cli.job import Job
    from drumtune.store.records import Entry, KeptSetting


def list_text(entries: Sequence[Entry], settings: Sequence[KeptSetting]) -> str:
    """One line per take, then one per setting."""
    if not entries:
        return "no takes yet: drumtune even TAKE --drum NAME logs one"
    wide = max(len(entry.drum) for entry in entries)
    lines = [f"take  {'drum':<{wide}}  logged (UTC)      verdict  spread   level    then advised"]
    lines += [_line(entry, wide) for entry in entries]
    lines += [f"setting {kept.name!r} of {kept.drum}: take {kept.number}" for kept in settings]
    return "\n".join(lines)


def _line(entry: Entry, wide: int) -> str:
    moves = len(entry.plan.moves)
    advised = f"{moves} move{'s' * (moves != 1)}" + (f" back to {entry.aim!r}" if entry.aim != "even" else "")
    tail = "  (undone)" if entry.undone else ""
    note = f"  {entry.take.note}" if entry.take.note else ""
    when = entry.logged_utc[:16].replace("T", " ")
    found = f"{entry.reading.verdict:<7} {entry.reading.spread_cents:>4.0f} c {frequency(entry):>7.1f} Hz"
    return f"{entry.number:>4}  {entry.drum:<{wide}}  {when}  {found}  {advised}{tail}{note}"


def frequency(entry: Entry) -> float:
    """Mean frequency of the (1,1) pair of an entry, Hz."""
    from drumtune.advice.rounds import first_pair

    return first_pair(entry.reading)[0]


def list_json(entries: Sequence[Entry], settings: Sequence[KeptSetting]) -> str:
    """Takes and settings as JSON."""
    answer = {
        "takes": [
            {
                "take": entry.number,
                "drum": entry.drum,
                "logged_utc": entry.logged_utc,
                "verdict": entry.reading.verdict,
                "spread_cents": round(entry.reading.spread_cents, 2),
                "pair_11_hz": round(frequency(entry), 3),
                "moves": len(entry.plan.moves),
                "aim": entry.aim,
                "undone": entry.undone,
                "note": entry.take.note,
            }
            for entry in entries
        ],
        "settings": [
            {"name": kept.name, "drum": kept.drum, "take": kept.number, "saved_utc": kept.saved_utc}
            for kept in settings
        ],
    }
    return json.dumps(answer, indent=2, allow_nan=False, ensure_ascii=False)


def as_job(entry: Entry) -> Job:
    """Return an entry as the job it came from, so that it prints as it did then."""
    from drumtune.cli.job import Job

    files = tuple(Path(file.name) for file in entry.take.files)
    return Job(files, entry.take.duration_s, entry.take.sample_rate_hz, None, entry.reading, entry.plan)


def entry_text(entry: Entry) -> str:
    """Take, circumstances, what was turned before it, reading and moves."""
    from drumtune.cli import round_words, words

    given = {"°C": entry.take.temperature_c, "% humidity": entry.take.humidity_percent}
    around = [f"{value:g} {unit}" for unit, value in given.items() if value is not None]
    lines = [f"Take {entry.number} of {entry.drum}, logged {entry.logged_utc}{' (undone)' if entry.undone else ''}."]
    if around or entry.take.note:
        lines.append("; ".join([*around, *([entry.take.note] if entry.take.note else [])]))
    lines.append(f"Turned before it: {round_words.turned(entry.turning)}.")
    return "\n".join([*lines, "", words.text(as_job(entry))])


def entry_json(entry: Entry) -> str:
    """Return an entry in the names of drumtune even --json, with what the log knows beside."""
    from drumtune.cli import documents

    extra = {
        "log": {
            "take": entry.number,
            "drum": entry.drum,
            "logged_utc": entry.logged_utc,
            "undone": entry.undone,
            "aim": entry.aim,
            "note": entry.take.note,
            "temperature_c": entry.take.temperature_c,
            "humidity_percent": entry.take.humidity_percent,
            "files": [
                {"name": file.name, "size_bytes": file.size_bytes, "sha256": file.sha256} for file in entry.take.files
            ],
            "turned": {"source": entry.turning.source, "turns": [float(value) for value in entry.turning.turned]},
        }
    }
    return documents.as_json(as_job(entry), extra)


def comparison(first: Entry, second: Entry) -> dict[str, Any]:
    """From the first take to the second: pulls, pitch as a whole, spread, in cents.

    Raises
    ------
    LogError
        If the two have different numbers of rods.
    """
    import numpy as np

    from drumtune.store.file import LogError

    one, two = first.reading, second.reading
    if one.drum.rods != two.drum.rods:
        raise LogError(f"take {first.number} has {one.drum.rods} rods, take {second.number} {two.drum.rods}")
    change = two.pulls_cents - one.pulls_cents
    sd = np.sqrt(np.diagonal(one.covariance) + np.diagonal(two.covariance))
    ratio = frequency(second) / frequency(first)
    return {
        "first": first.number,
        "second": second.number,
        "rods": [
            {
                "rod": rod + 1,
                "first_cents": round(float(one.pulls_cents[rod]), 2),
                "second_cents": round(float(two.pulls_cents[rod]), 2),
                "change_cents": round(float(change[rod]), 2),
                "change_sd_cents": round(float(sd[rod]), 2),
            }
            for rod in range(one.drum.rods)
        ],
        "pitch_change_cents": round(1200.0 * float(np.log2(ratio)), 2),
        "spread_cents": [round(one.spread_cents, 2), round(two.spread_cents, 2)],
    }


def compare_json(first: Entry, second: Entry) -> str:
    """Comparison as JSON."""
    return json.dumps(comparison(first, second), indent=2, allow_nan=False)


def compare_text(first: Entry, second: Entry) -> str:
    """Comparison as a table."""
    from drumtune.notes import cents_told

    found = comparison(first, second)
    lines = [f"From take {first.number} ({first.drum}) to take {second.number} ({second.drum}):"]
    lines.append("rod    before   after   change, cents")
    for rod in found["rods"]:
        mark = "  more than the readings leave open" if abs(rod["change_cents"]) > 2 * rod["change_sd_cents"] else ""
        lines.append(
            f"{rod['rod']:>3}   {rod['first_cents']:>+7.1f} {rod['second_cents']:>+7.1f}  "
            f"{rod['change_cents']:>+7.1f} ± {rod['change_sd_cents']:<4.1f}{mark}"
        )
    change = found["pitch_change_cents"]
    lines.append(f"The head as a whole: {change:+.0f} cents." if round(change) else "The head as a whole: as it was.")
    lines.append(f"Spread: {found['spread_cents'][0]:.0f}, then {cents_told(found['spread_cents'][1])}.")
    return "\n".join(lines)


def learned_document(known: Learned) -> dict[str, Any]:
    """What a drum has shown, for programs."""
    from drumtune.cli import round_words

    return {
        "pairs": known.pairs,
        "sixteenth_turn_cents": {name: round(value, 2) for name, value in round_words.shares(known).items()},
        "gains_cents_per_turn": [round(float(value), 2) for value in known.response.gains],
        "gains_relative_sd": [round(float(value), 4) for value in known.response.relative_sd],
        "gain_over_expected": [round(float(value), 4) for value in known.ratio],
        "pulls_cents": [round(float(value), 2) for value in known.pulls],
        "rods": [
            {
                "rod": answer.rod,
                "share": round(answer.share, 3),
                "share_sd": round(answer.share_sd, 3),
                "rounds": answer.rounds,
                "silent": answer.silent,
            }
            for answer in known.answers
        ],
        "troubles": list(round_words.troubles(known)),
    }
