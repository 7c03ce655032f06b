"""The work behind `drumtune listen` and `drumtune serve`: a round read and kept, the other answers for one drum.

Every function takes plain values and gives plain values, so that it can be done in another process.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from drumtune.advice.ring import HitReading
    from drumtune.advice.turns import Move
    from drumtune.cli.job import Job
    from drumtune.cli.round_job import Round
    from drumtune.drum import Drum
    from drumtune.session import Take
    from drumtune.store.records import KeptStand

FOLDER = "live"
"""Folder beside the log in which rounds are kept while they go on."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A reading for the page and the terminal: its document, the moves, the verdict, and the text for people.

    The document is that of ``even --json``, with `words` beside it: the `verdict` and what the moves are `expected` to
    leave, as ``drumtune even`` says them; `expected` is empty where there are no moves.
    """

    document: dict[str, Any]
    moves: tuple[Move, ...]
    verdict: str
    text: str


def folder_of(log: Path, name: str) -> Path:
    """Where the round of a drum is kept; the name is not used as a path."""
    return log.parent / FOLDER / hashlib.sha256(name.encode()).hexdigest()[:16]


def drums(log: Path) -> list[dict[str, Any]]:
    """Drums of the log; none where there is no log yet."""
    from drumtune.cli.stand import line
    from drumtune.store import opened, queries

    if not log.exists():
        return []
    with opened(log) as connection:
        return [
            {
                "name": kept.stand.name,
                "sizes": line(kept.stand),
                "rods": kept.stand.drum.rods,
                "takes": len(queries.numbers(connection, kept.stand.name)),
                "bottom": kept.stand.bottom is not None,
            }
            for kept in queries.stands(connection)
        ]


def describe(log: Path, told: dict[str, Any]) -> str:
    """Keep a new drum, told as in a stand file; return its name.

    Raises
    ------
    DrumtuneError
        If no drum is so built, or there is one of that name.
    """
    from drumtune.cli.stand import described
    from drumtune.store import changes, opened

    stand = described(told)
    with opened(log, writing=True) as connection:
        changes.add_stand(connection, stand)
    return stand.name


def kept_stand(log: Path, name: str) -> KeptStand:
    """Return a drum of the log.

    Raises
    ------
    LogError
        If there is none of that name.
    """
    from drumtune.store import opened, queries

    with opened(log) as connection:
        return queries.stand(connection, name)


def rods_of(log: Path, name: str) -> int:
    """Rods of a drum of the log."""
    return kept_stand(log, name).stand.drum.rods


def read_take(log: Path, name: str, take: Take, turned: tuple[float, ...] | None) -> Answer:
    """Read a live round, keep it in the log and plan the moves; its sound is left in the drum's folder as live.wav.

    Raises
    ------
    DrumtuneError
        If the take does not allow an answer or cannot be kept.
    """
    import numpy as np

    from drumtune.advice.evenness import read_head
    from drumtune.advice.turns import plan_moves
    from drumtune.audio import write_wav
    from drumtune.cli import round_job
    from drumtune.cli.job import Job

    kept = kept_stand(log, name)
    drum = kept.stand.drum
    reading = read_head(take.samples, take.sample_rate, take.groups, drum)
    folder = folder_of(log, name)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "live.wav"
    write_wav(file, np.clip(take.samples, -1.0, 1.0), round(take.sample_rate))
    plan = plan_moves(reading.pulls_cents, reading.covariance, drum, reading.tension, verdict=reading.verdict)
    done = Job((file,), take.duration, take.sample_rate, max(len(taps) for taps in take.groups), reading, plan)
    said = None if turned is None else written_turns(turned)
    return _answer(*round_job.keep(done, kept, log, round_job.Asked(turned=_if_any(log, kept, said))))


def prepare(log: Path, name: str) -> None:
    """Load what a reading of a drum needs and build its tables, so that the reading finds them there.

    Raises
    ------
    DrumtuneError
        If there is no such drum.
    """
    from drumtune.advice.evenness import prepare as build

    build(kept_stand(log, name).stand.drum)


def prepare_alone(drum: Drum) -> None:
    """The same for a drum that is in no log."""
    from drumtune.advice.evenness import prepare as build

    build(drum)


def read_alone(drum: Drum, take: Take, turned: tuple[float, ...] | None = None) -> Answer:
    """Read a live round of a drum that is in no log; nothing is kept, so what was turned before teaches nothing.

    Raises
    ------
    DrumtuneError
        If the take does not allow an answer.
    """
    from drumtune.advice.evenness import read_head
    from drumtune.advice.turns import plan_moves
    from drumtune.cli.job import Job

    reading = read_head(take.samples, take.sample_rate, take.groups, drum)
    plan = plan_moves(reading.pulls_cents, reading.covariance, drum, reading.tension, verdict=reading.verdict)
    per_rod = max(len(taps) for taps in take.groups)
    return _answer(Job((Path("live"),), take.duration, take.sample_rate, per_rod, reading, plan), None)


def read_file(log: Path, name: str, path: Path, per_rod: int | None, turned: tuple[float, ...] | None = None) -> Answer:
    """Read an uploaded recording of a drum, as one more round of it; `turned` as for `read_take`.

    Raises
    ------
    DrumtuneError
        As for ``drumtune even``.
    """
    from drumtune.cli import round_job

    kept = kept_stand(log, name)
    said = None if turned is None else written_turns(turned)
    asked = round_job.Asked(turned=_if_any(log, kept, said))
    return _answer(*round_job.do([path], kept, log, asked, taps_per_rod=per_rod))


def _answer(done: Job, kept: Round | None) -> Answer:
    from drumtune.cli import documents, round_words, words

    plain = documents.document(done)
    text = words.text(done)
    if kept is not None:
        plain["log"] = round_words.document(kept)
        text += "\n\n" + round_words.text(kept)
    plain["words"] = {
        "verdict": words.verdict(done.reading),
        "expected": words.expected(done.plan) if done.plan.moves else "",
    }
    plain["take"]["files"] = [path.name for path in done.files]
    return Answer(plain, done.plan.moves, done.reading.verdict, text)


def written_turns(turned: tuple[float, ...]) -> str:
    """Signed turns as ``--turned`` takes them.

    Examples
    --------
    >>> written_turns((0.125, 0.0, -0.0625, 0.0))
    '1:+1/8,3:-1/16'
    """
    parts = [
        f"{i + 1}:{'+' if t > 0 else '-'}{Fraction(abs(t)).limit_denominator(64)}" for i, t in enumerate(turned) if t
    ]
    return ",".join(parts) or "none"


def _if_any(log: Path, kept: KeptStand, turned: str | None) -> str | None:
    """What was turned, unless the log has no reading it could follow on."""
    from drumtune.store import opened, queries

    with opened(log) as connection:
        return turned if queries.numbers(connection, stand_id=kept.stand_id) else None


def ring(log: Path, name: str, samples: NDArray[np.float64], rate: float) -> dict[str, Any]:
    """What the last hit did: note, after-note, decay, partials.

    Raises
    ------
    DrumtuneError
        If there is no hit in it.
    """
    from drumtune.advice.ring import read_hits
    from drumtune.cli import ring_words

    radius = kept_stand(log, name).stand.drum.head.radius
    hits = read_hits(samples, rate, radius=radius)
    answer = ring_words.Answer(hits[:1], ())
    return {**ring_words.document(answer), "text": ring_words.text(answer), "picture": _falling(hits[0])}


def _falling(hit: HitReading, most: int = 250) -> dict[str, Any]:
    """What a small picture of a hit needs: its level over time, and the pitch of its main partial as it settles."""
    import numpy as np

    decay, lines = hit.decay, hit.lines
    end = max(1.25 * decay.floor.limit, 0.2)
    shown = np.flatnonzero(decay.raw_times <= end)
    shown = shown[:: max(1, -(-shown.size // most))]
    glide = None
    if lines is not None and hit.note is not None:
        track = lines.glide.track
        cents = 1200.0 * np.log2(np.maximum(track.frequencies, 1.0) / lines.glide.settled)
        some = slice(None, None, max(1, -(-track.times.size // most)))
        glide = {"times_s": track.times[some].round(4).tolist(), "cents": cents[some].round(2).tolist()}
        glide["law"] = (1200.0 * np.log2(lines.glide.law.ratio(track.times[some]))).round(2).tolist()
    return {
        "times_s": decay.raw_times[shown].round(4).tolist(),
        "levels_db": decay.raw_levels[shown].round(2).tolist(),
        "floor_db": round(float(decay.floor_db), 1),
        "glide": glide,
        "note": "" if hit.note is None else f"{hit.settled_hz:.1f} Hz ({hit.note[0]} {hit.note[1]:+.0f})",
    }


def pair(log: Path, name: str) -> dict[str, Any]:
    """Suggestions for the two heads of a drum, from its last reading.

    Raises
    ------
    DrumtuneError
        If the drum has no bottom head, or was never read.
    """
    from drumtune.advice.rounds import first_pair
    from drumtune.cli import pair_documents, pair_job, pair_stand, pair_words
    from drumtune.errors import StandError
    from drumtune.store import opened, queries

    stand = kept_stand(log, name).stand
    drum = pair_stand.kept(stand)
    with opened(log) as connection:
        numbers = queries.numbers(connection, name)
        if not numbers:
            raise StandError(f"{name} was not read yet: make a round first")
        reading = queries.entry(connection, numbers[-1][0]).reading
    wish = pair_job.Wish("long", "rod", 18.0, first_pair(reading)[0], stand.bottom_rod)
    done = pair_job.do(drum, pair_job.Takes(None, None, None, None), wish)
    return {**pair_documents.document(done), "text": pair_words.text(done)}


def kit(log: Path) -> dict[str, Any]:
    """Notes for all drums of the log together.

    Raises
    ------
    DrumtuneError
        If there are none, or no notes fit them.
    """
    from drumtune.advice.kit_range import voice
    from drumtune.cli import kit_documents, kit_job
    from drumtune.errors import StandError
    from drumtune.stand import LARGEST_KIT, Kit
    from drumtune.store import opened, queries

    with opened(log) as connection:
        stands = tuple(kept.stand for kept in queries.stands(connection))[:LARGEST_KIT]
    if len(stands) < 2:
        raise StandError("a kit has two drums at least: describe another one")
    voices = tuple(voice(stand) for stand in stands)
    done = kit_job.chosen(Kit("drums of the log", stands), voices, None, kit_job.Asked())
    return {**kit_documents.document(done), "text": kit_documents.text(done)}


def log_of(log: Path, name: str) -> list[dict[str, Any]]:
    """Readings of a drum, newest first."""
    from drumtune.store import opened, queries

    with opened(log) as connection:
        entries = queries.entries(connection, name)
    return [
        {
            "number": entry.number,
            "when": entry.logged_utc,
            "verdict": entry.reading.verdict,
            "spread_cents": round(entry.reading.spread_cents, 1),
            "spread_sd_cents": round(entry.reading.spread_sd_cents, 1),
            "expected_spread_cents": round(entry.plan.expected_spread_cents, 1) if entry.plan.moves else None,
            "pulls_cents": [round(float(pull), 1) for pull in entry.reading.pulls_cents],
        }
        for entry in reversed(entries)
    ][:50]
