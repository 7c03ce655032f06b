"""Recordings from files, and files from recordings.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz. Channels are counted from 1, as players do, and
are never averaged: two microphones of opposite sign would cancel. soundfile reads WAV, FLAC, AIFF, OGG and MP3; what it
cannot read (m4a, AAC, mov, webm) goes to PyAV. Files are read in blocks, so that memory is bounded by what is kept.

Every failure is an AudioError of one line. A take is refused beyond `LONGEST`; `blocks` reads a file of any length.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drumtune.decode import Sound, blocks, describe, named, why
from drumtune.errors import AudioError
from drumtune.files import written

Samples = NDArray[np.float64]

LONGEST = 600.0
"""Longest take read, s. A round of 16 rods at four taps, two seconds each, takes two minutes."""
MOST_SAMPLES = 64_000_000
"""Most samples read at all (half a gigabyte), whatever the rate."""
SHORTEST = 0.1
"""Shortest recording that is read, s."""
ENDINGS = (
    ".wav", ".wave", ".flac", ".aif", ".aiff", ".aifc", ".ogg", ".oga", ".opus", ".mp3", ".caf", ".au", ".w64", ".rf64",
    ".m4a", ".aac", ".mp4", ".mov", ".webm", ".3gp", ".mka", ".wma",
)  # fmt: skip
"""File endings taken for audio when a folder is read."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One take in memory.

    Parameters
    ----------
    samples
        Shape (n,), full scale 1.0, finite.
    sample_rate
        Hz.
    files
        Paths it was read from, in order.
    channel
        Channel taken, from 1.
    channels
        Channels there were.
    warnings
        Sentences about what was odd but bearable.
    parts
        Range of samples of each file, (start, stop).
    """

    samples: Samples
    sample_rate: float
    files: tuple[str, ...]
    channel: int = 1
    channels: int = 1
    warnings: tuple[str, ...] = ()
    parts: tuple[tuple[int, int], ...] = ()

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.samples.size / self.sample_rate


def read_take(paths: Sequence[str | os.PathLike[str]], channel: int | None = None) -> Recording:
    """Read a take from one file, from several (in the order given), or from a folder of them (in natural order).

    Parameters
    ----------
    paths
        Files, or folders of files.
    channel
        Channel from 1; None takes the loudest of the whole take.

    Returns
    -------
    Recording
        With one part per file.

    Raises
    ------
    AudioError
        If a file cannot be read or holds nothing to analyse, or the files do not have the same rate and channels.
    """
    files = [file for path in paths for file in _files(Path(path))]
    if not files:
        raise AudioError("no recording given: name an audio file, several, or a folder of them")
    sounds = [describe(file) for file in files]
    _alike(files, sounds)
    _short_enough(", ".join(str(file) for file in files[:1]), sounds[0].sample_rate, sum(s.frames for s in sounds))
    power = np.zeros(sounds[0].channels)
    if channel is None and sounds[0].channels > 1:
        power = sum((_power(file, sound) for file, sound in zip(files, sounds, strict=True)), power)
    chosen = int(np.argmax(power)) + 1 if channel is None else channel
    recordings = [_read(file, sound, chosen) for file, sound in zip(files, sounds, strict=True)]
    return _joined(recordings)


def read_recording(path: str | os.PathLike[str], channel: int | None = None) -> Recording:
    """Read one file: as `read_take` of that one path."""
    return read_take([path], channel)


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Key that sorts 'rod 2' before 'rod 10' and does not mind capitals.

    Examples
    --------
    >>> sorted(["rod10.wav", "Rod2.wav", "rod1.wav"], key=natural_key)
    ['rod1.wav', 'Rod2.wav', 'rod10.wav']
    """
    pieces = re.findall(r"[0-9]+|[^0-9]+", name)
    return tuple((0, int(p), "") if p[0] in "0123456789" else (1, 0, p.casefold()) for p in pieces)


def _files(path: Path) -> list[Path]:
    """The path itself, or the audio files of the folder it names."""
    try:
        folder = path.is_dir()
        inside = sorted(path.iterdir(), key=lambda p: natural_key(p.name)) if folder else []
    except (OSError, ValueError) as cause:
        raise AudioError(
            f"{named(path)}: cannot be opened ({why(cause)}): check the name and who may read it"
        ) from cause
    if not folder:
        return [path]
    audio = [p for p in inside if p.suffix.casefold() in ENDINGS and not p.name.startswith(".") and not p.is_dir()]
    if not audio:
        raise AudioError(f"{named(path)}: no audio file in this folder: name the folder that holds the recordings")
    return audio


def _alike(files: list[Path], sounds: list[Sound]) -> None:
    """Refuse files of one take that differ in rate or channels."""
    for file, sound in zip(files, sounds, strict=True):
        if (sound.sample_rate, sound.channels) != (sounds[0].sample_rate, sounds[0].channels):
            raise AudioError(
                f"{named(file)}: {sound.sample_rate:.0f} Hz, {sound.channels} channels, but {named(files[0])} has "
                f"{sounds[0].sample_rate:.0f} Hz, {sounds[0].channels}: record all files of a take in the same way"
            )


def _short_enough(name: str, rate: float, frames: int) -> None:
    """Refuse what is too long to be one take, naming its length."""
    longest = min(LONGEST, MOST_SAMPLES / rate)
    if frames > longest * rate:
        raise AudioError(
            f"{name}: {frames / rate / 60:.0f} minutes is too long for one take, at most {longest / 60:.0f} are read: "
            "cut out the round of taps"
        )


def _power(file: Path, sound: Sound) -> NDArray[np.float64]:
    """Sum of squares of each channel about its mean, shape (channels,); NaN counts as none."""
    count, total, square = 0, np.zeros(sound.channels), np.zeros(sound.channels)
    for block in blocks(file, sound):
        block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        count += block.shape[0]
        total += block.sum(axis=0)
        square += (block * block).sum(axis=0)
        _short_enough(named(file), sound.sample_rate, count)
    return np.asarray(square - total**2 / max(count, 1))


def _read(file: Path, sound: Sound, channel: int) -> Recording:
    """One channel of one file, checked."""
    if not 1 <= channel <= sound.channels:
        raise AudioError(
            f"{named(file)}: there is no channel {channel}, the file has {sound.channels}: check --channel"
        )
    kept, count = [], 0
    for block in blocks(file, sound):
        kept.append(np.ascontiguousarray(block[:, channel - 1]))
        count += block.shape[0]
        _short_enough(named(file), sound.sample_rate, count)
    samples = np.concatenate(kept) if kept else np.zeros(0)
    _sound_enough(file, samples, sound.sample_rate)
    warnings = _missing(file, sound, samples.size)
    return Recording(samples, sound.sample_rate, (str(file),), channel, sound.channels, warnings, ((0, samples.size),))


def _sound_enough(file: Path, samples: Samples, rate: float) -> None:
    """Refuse samples that hold nothing to analyse."""
    if samples.size == 0:
        raise AudioError(f"{named(file)}: no sound in the file, it holds no samples: record it again")
    if not np.isfinite(samples).all():
        bad = int(samples.size - np.isfinite(samples).sum())
        raise AudioError(
            f"{named(file)}: {bad} of {samples.size} samples are not numbers (NaN or infinite): export it again"
        )
    if samples.size < SHORTEST * rate:
        raise AudioError(
            f"{named(file)}: only {1000 * samples.size / rate:.0f} ms long, at least {1000 * SHORTEST:.0f} are needed: "
            "record again, from before the first stroke until the drum has rung out"
        )
    if np.ptp(samples) < 1e-5:
        raise AudioError(f"{named(file)}: silent: check the microphone, its level and the channel (--channel)")


def _missing(file: Path, sound: Sound, got: int) -> tuple[str, ...]:
    """Refuse a file that holds less than its header states exactly; warn where the statement is rough."""
    lost = (sound.frames - got) / sound.sample_rate
    if lost <= (0.01 if sound.exact else 0.2):
        return ()
    left, whole = got / sound.sample_rate, sound.frames / sound.sample_rate
    what = f"{named(file)}: cut short, {left:.2f} s are left of {whole:.2f} s"
    if sound.exact:
        raise AudioError(f"{what}: copy the whole file again, or save what is left under a new name in an audio editor")
    return (what,)


def _joined(recordings: list[Recording]) -> Recording:
    """Put the files of a take one after the other."""
    first = recordings[0]
    if len(recordings) == 1:
        return first
    stops = np.cumsum([r.samples.size for r in recordings]).tolist()
    return replace(
        first,
        samples=np.concatenate([r.samples for r in recordings]),
        files=tuple(f for r in recordings for f in r.files),
        warnings=tuple(w for r in recordings for w in r.warnings),
        parts=tuple(zip([0, *stops[:-1]], stops, strict=True)),
    )


def write_wav(path: str | os.PathLike[str], samples: Samples, sample_rate: float, bits: int = 24) -> None:
    """Write a WAV file of 16 or 24 bit, whole or not at all: it gets its name only when it is finished.

    Parameters
    ----------
    path
        Where to; an existing file is replaced.
    samples
        Shape (n,) or (n, channels), full scale 1.0; rounded to the nearest step, without dither, so that the same
        samples always give the same bytes.
    sample_rate
        Hz, a whole number.
    bits
        16 or 24.

    Raises
    ------
    ValueError
        If samples are not finite or exceed full scale, or the width or rate is not one written.
    DrumtuneError
        If the file cannot be written.
    """
    import soundfile

    samples = np.asarray(samples, float)
    if bits not in (16, 24) or sample_rate != round(sample_rate):
        raise ValueError(f"16 or 24 bit and a whole rate in Hz are written, got {bits} and {sample_rate}")
    if not np.isfinite(samples).all() or np.abs(samples).max(initial=0.0) > 1.0:
        raise ValueError("samples must be finite and within full scale (-1...1) to be written")
    steps = np.clip(np.round(samples * 2.0 ** (bits - 1)), -(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1.0)
    whole = (steps * 2.0 ** (32 - bits)).astype(np.int32)
    with written(Path(path)) as temporary:
        soundfile.write(temporary, whole, round(sample_rate), subtype=f"PCM_{bits}", format="WAV")
