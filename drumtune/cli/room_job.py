"""The work of `drumtune room`: options to a room, recordings to its decay, all of it to one answer. Prints nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drumtune.cli import room_options

if TYPE_CHECKING:
    from drumtune.advice.room import RoomReport
    from drumtune.advice.room_sound import BandFigure, Line, OwnedLine
    from drumtune.audio import Recording
    from drumtune.errors import TakeError
    from drumtune.physics.room import Array as Signal
    from drumtune.physics.room import Room


@dataclass(frozen=True, slots=True)
class Losses:
    """How the room's losses are given: T60 in s, absorption 0...1 (one for all walls or six), or by recordings."""

    t60: float | None = None
    absorption: str | None = None


@dataclass(frozen=True, slots=True)
class Sounds:
    """Recordings: claps or sweeps, the sweep played, a drum's hits near it and far from it, the channel."""

    claps: tuple[Path, ...] = ()
    sweep: Path | None = None
    near: Path | None = None
    far: Path | None = None
    channel: int | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that is read."""
        return (*self.claps, *(path for path in (self.sweep, self.near, self.far) if path is not None))


@dataclass(frozen=True, slots=True)
class RoomJob:
    """The answer: the room, where its decay comes from, octaves, strongest lines, whose ring it is, warnings."""

    report: RoomReport
    source: str
    bands: tuple[BandFigure, ...] = ()
    lines: tuple[Line, ...] = ()
    rings: tuple[OwnedLine, ...] = ()
    warnings: tuple[str, ...] = ()


def do(
    size: tuple[float, ...], places: tuple[str | None, str | None], losses: Losses, sounds: Sounds, notes: str | None
) -> RoomJob:
    """Work out a room.

    Raises
    ------
    DrumtuneError
        If sizes, places, losses, notes or recordings do not allow it; one line for the player.
    """
    from drumtune.advice import room as advice
    from drumtune.advice import room_sound

    names, where = (
        room_options.note_names(notes),
        (room_options.place(places[0], "--drum-at", size), room_options.place(places[1], "--mic-at", size)),
    )
    room_options.both(where)
    _paired(sounds)
    responses, rate, warnings = _responses(sounds)
    bands = room_sound.bands(responses, rate) if responses else ()
    room, source = _room(size, losses, bands)
    if responses:
        warnings = [*warnings, room_sound.grade(len(sounds.claps))]
    report = advice.report(room, *where, names)
    limit = max(report.schroeder, 120.0)
    lines = room_sound.strongest_lines(responses, rate, report.modes, limit) if responses else []
    rings = _rings(sounds, report) if sounds.near else []
    return RoomJob(report, source, bands, tuple(lines), tuple(rings), tuple(warnings))


def listed(job: RoomJob, limit: float | None) -> float:
    """Up to which frequency (Hz) modes are listed: as asked, else the Schroeder frequency or a bit over the notes.

    Raises
    ------
    DrumtuneError
        If more is asked for than is worked out.
    """
    from drumtune.errors import DrumtuneError

    top = float(job.report.curve.frequency[-1])
    if limit is None:
        return max([job.report.schroeder, *(1.06 * note.frequency for note in job.report.notes)])
    if not 0.0 < limit <= top:
        raise DrumtuneError(f"modes are worked out up to {top:.0f} Hz here, got {limit:g} Hz: check --modes-to-hz")
    return limit


def write_sweep(path: Path) -> None:
    """Write the sweep to play: 20 Hz to 20 kHz in 10 s at 48 kHz, peak -12 dB under full scale.

    Raises
    ------
    DrumtuneError
        If the file cannot be written.
    """
    from drumtune.advice.room_sound import sweep
    from drumtune.audio import write_wav

    write_wav(path, 0.5 * sweep(20.0, 20000.0, 10.0, 48000.0), 48000.0)


def write_burst(path: Path, job: RoomJob) -> None:
    """Write a burst at the drum's place as heard at the microphone's, 48 kHz.

    Raises
    ------
    DrumtuneError
        If the places are not given, or the file cannot be written.
    """
    from drumtune.advice.room_burst import burst
    from drumtune.audio import write_wav
    from drumtune.errors import DrumtuneError

    report = job.report
    if report.drum_at is None or report.mic_at is None:
        raise DrumtuneError("a burst is heard from one place to another: give --drum-at and --mic-at")
    write_wav(path, burst(report.room, report.drum_at, report.mic_at, 48000.0), 48000.0)


def _paired(sounds: Sounds) -> None:
    """Refuse one recording of two without the other."""
    from drumtune.errors import DrumtuneError

    if (sounds.near is None) != (sounds.far is None):
        raise DrumtuneError("give both --near and --far: one drum's hits recorded close to it and across the room")
    if sounds.sweep is not None and not sounds.claps:
        raise DrumtuneError("--sweep is the file that was played: give its recording in the room as well")


def _room(size: tuple[float, ...], losses: Losses, bands: Sequence[BandFigure]) -> tuple[Room, str]:
    """The room, and where its decay comes from in one word."""
    from drumtune.advice.room import TYPICAL_DECAY
    from drumtune.advice.room_sound import reverberation
    from drumtune.errors import DrumtuneError
    from drumtune.physics.room import Room

    where = (size[0], size[1], size[2])
    measured = reverberation(bands)
    if sum(bool(x) for x in (measured, losses.t60 is not None, losses.absorption is not None)) > 1:
        raise DrumtuneError("give the room's decay once: by recordings, --t60-s or --absorption")
    if losses.absorption is not None:
        return Room(where, absorption=room_options.walls(losses.absorption)), "absorption"
    if losses.t60 is not None:
        if not 0.05 <= losses.t60 <= 30.0:
            raise DrumtuneError(f"a room decays in 0.05 to 30 s, got {losses.t60:g} s: check --t60-s")
        return Room(where, reverberation=((500.0, losses.t60),)), "given"
    if measured:
        return Room(where, reverberation=measured), "measured"
    if bands:
        raise _no_decay(bands)
    return Room(where, reverberation=((500.0, TYPICAL_DECAY),)), "assumed"


def _no_decay(bands: Sequence[BandFigure]) -> TakeError:
    """Why no octave has a decay to go by."""
    from drumtune.dsp.bands import nominal
    from drumtune.errors import TakeError

    worst = min(bands, key=lambda band: abs(band.centre - 1000.0))
    return TakeError(
        "no octave of the recordings shows a decay beyond doubt "
        f"({nominal(worst.centre):g} Hz: {worst.reason}): clap louder, in quiet, let it ring out, or give --t60-s "
        "instead",
        reason="decay",
        estimate=tuple(bands),
    )


def _responses(sounds: Sounds) -> tuple[list[Signal], float, list[str]]:
    """Impulse responses of all recordings at one rate, that rate, and warnings."""
    from drumtune.advice import room_sound
    from drumtune.dsp.faults import is_clipped
    from drumtune.files import shown

    if not sounds.claps:
        return [], 0.0, []
    takes = [_read(path, sounds.channel) for path in sounds.claps]
    rate = takes[0].sample_rate
    _same_rate(takes, sounds.claps)
    warnings = [
        f"{shown(Path(path.name))}: {line}"
        for path, take in zip(sounds.claps, takes, strict=True)
        for line in take.warnings
    ]
    if sounds.sweep is not None:
        played = _read(sounds.sweep, None)
        _same_rate([takes[0], played], (sounds.claps[0], sounds.sweep))
        return [room_sound.deconvolve(take.samples, played.samples, rate) for take in takes], rate, warnings
    found = [burst for take in takes for burst in room_sound.bursts(take.samples, rate)]
    clipped = sum(is_clipped(burst[: round(0.1 * rate)]) for burst in found)
    if clipped:
        warnings.append(f"{clipped} of {len(found)} bursts are clipped, which bends their decay: turn the level down")
    return found, rate, warnings


def _rings(sounds: Sounds, report: RoomReport) -> list[OwnedLine]:
    """Whose the lines in a drum's hits at two places are."""
    from drumtune.advice import room_sound

    if sounds.near is None or sounds.far is None:
        return []
    near, far = (_read(path, sounds.channel) for path in (sounds.near, sounds.far))
    _same_rate([near, far], (sounds.near, sounds.far))
    first = [room_sound.bursts(take.samples, take.sample_rate)[0] for take in (near, far)]
    return room_sound.whose(first[0], first[1], near.sample_rate, report.modes, float(report.curve.frequency[-1]))


def _read(path: Path, channel: int | None) -> Recording:
    from drumtune.audio import read_take

    return read_take([path], channel)


def _same_rate(takes: Sequence[Recording], paths: Sequence[Path]) -> None:
    from drumtune.errors import AudioError

    for take, path in zip(takes, paths, strict=True):
        if take.sample_rate != takes[0].sample_rate:
            raise AudioError(
                f"{path} has {take.sample_rate:g} samples a second, {paths[0]} {takes[0].sample_rate:g}: "
                "record all at one rate"
            )
