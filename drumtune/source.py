"""What a take is made of: its files, described but not read, and one channel of them block by block.

Channels are counted from 1, as players do, and are never averaged: two microphones of opposite sign would cancel.
Samples are real, full scale 1.0, shape (n,). Every failure is an AudioError of one line.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drumtune.decode import Sound, blocks, describe, named, why
from drumtune.errors import AudioError

Samples = NDArray[np.float64]

LONGEST = 600.0
"""Longest take kept in memory, s. A round of 16 rods at four taps, two seconds each, takes two minutes."""
MOST_SAMPLES = 64_000_000
"""Most samples kept in memory (half a gigabyte), whatever the rate."""
MOST_DECODED = 1_500_000_000
"""Most samples decoded, of all channels: two hours of four channels at 48 kHz."""
LOUDEST = 1e10
"""Largest sample taken for one; whole numbers of 32 bits that were written as floats are below it."""
SHORTEST = 0.1
"""Shortest recording that is read, s."""
ENDINGS = (
    ".wav", ".wave", ".flac", ".aif", ".aiff", ".aifc", ".ogg", ".oga", ".opus", ".mp3", ".caf", ".au", ".w64", ".rf64",
    ".m4a", ".aac", ".mp4", ".mov", ".webm", ".3gp", ".mka", ".wma",
)  # fmt: skip
"""File endings taken for audio when a folder is read."""


@dataclass(frozen=True, slots=True)
class Source:
    """Files of one take, described but not read.

    Parameters
    ----------
    files, sounds
        The files in order and what each says of itself; all of one rate and number of channels.
    channel
        Channel to take, from 1.
    longest
        Length in s beyond which reading is refused.
    """

    files: tuple[Path, ...]
    sounds: tuple[Sound, ...]
    channel: int
    longest: float

    @property
    def sample_rate(self) -> float:
        """Hz."""
        return self.sounds[0].sample_rate

    @property
    def promised(self) -> float | None:
        """Length the files state, s; None if one of them does not say."""
        frames = [sound.frames for sound in self.sounds]
        return sum(frames) / self.sample_rate if all(frames) else None

    def tracks(self) -> list[Track]:
        """The channel taken of each file."""
        return [Track(f, s, self.channel, self.longest) for f, s in zip(self.files, self.sounds, strict=True)]


class Track:
    """One channel of one file: iterate over it for its blocks, which are checked as they come.

    What was found out by the end is in `count`, samples there were, and `warnings`, sentences about what was odd but
    bearable. Samples that are not numbers are given as 0, and refused at the end with their count.

    Raises
    ------
    AudioError
        If there is no such channel; while or after iterating, if the file cannot be read or holds nothing to analyse.
    """

    def __init__(self, file: Path, sound: Sound, channel: int, longest: float) -> None:
        if not 1 <= channel <= sound.channels:
            raise AudioError(
                f"{named(file)}: there is no channel {channel}, the file has {sound.channels}: check --channel"
            )
        self.file, self.sound, self.channel, self.longest = file, sound, channel, longest
        self.count = 0
        self.warnings: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Samples]:
        """Blocks of samples, shape (n,)."""
        self.count, bad, low, high = 0, 0, np.inf, -np.inf
        for block in blocks(self.file, self.sound):
            own = np.ascontiguousarray(block[:, self.channel - 1])
            finite = np.abs(own) <= LOUDEST  # not so for NaN
            if not finite.all():
                bad += int(own.size - finite.sum())
                own = np.where(finite, own, 0.0)
            self.count += own.size
            low, high = min(low, own.min(initial=np.inf)), max(high, own.max(initial=-np.inf))
            _short_enough(named(self.file), self.sound.sample_rate, self.count, self.longest)
            yield own
        _sound_enough(self.file, self.sound.sample_rate, self.count, bad, high - low)
        self.warnings = _missing(self.file, self.sound, self.count)


def describe_take(
    paths: Sequence[str | os.PathLike[str]], channel: int | None = None, longest: float | None = None
) -> Source:
    """Find out what the files of a take are; they are read only if the loudest channel is to be found.

    Parameters
    ----------
    paths, channel
        As for `read_take`.
    longest
        Length in s beyond which the take is refused; None for what can be kept in memory.

    Raises
    ------
    AudioError
        As `read_take`.
    """
    files = [file for path in paths for file in _files(Path(path))]
    if not files:
        raise AudioError("no recording given: name an audio file, several, or a folder of them")
    sounds = [describe(file) for file in files]
    _alike(files, sounds)
    rate, channels = sounds[0].sample_rate, sounds[0].channels
    most = in_memory(rate) if longest is None else longest
    _short_enough(named(files[0]), rate, sum(s.frames for s in sounds), most)
    if channels * sum(s.frames for s in sounds) > MOST_DECODED:
        raise AudioError(
            f"{named(files[0])}: {channels} channels for {sum(s.frames for s in sounds) / rate / 60:.0f} minutes are "
            "too much to look through: export the one channel that is wanted, or cut out the round of taps"
        )
    power = np.zeros(channels)
    if channel is None and channels > 1:
        power = sum((_power(file, sound, most) for file, sound in zip(files, sounds, strict=True)), power)
    return Source(tuple(files), tuple(sounds), int(np.argmax(power)) + 1 if channel is None else channel, most)


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


def in_memory(rate: float) -> float:
    """Length in s of the longest take that is kept in memory."""
    return min(LONGEST, MOST_SAMPLES / rate)


def _short_enough(name: str, rate: float, frames: int, longest: float) -> None:
    """Refuse what is longer than `longest` (s), naming its length."""
    if frames > longest * rate:
        raise AudioError(
            f"{name}: {frames / rate / 60:.0f} minutes is too long for one take, at most {longest / 60:.0f} are read: "
            "cut out the round of taps"
        )


def _power(file: Path, sound: Sound, longest: float) -> NDArray[np.float64]:
    """Sum of squares of each channel about its mean, shape (channels,); NaN counts as none."""
    count, total, square = 0, np.zeros(sound.channels), np.zeros(sound.channels)
    for block in blocks(file, sound):
        block = np.where(np.abs(block) <= LOUDEST, block, 0.0)  # not so for NaN
        count += block.shape[0]
        total += block.sum(axis=0)
        square += (block * block).sum(axis=0)
        _short_enough(named(file), sound.sample_rate, count, longest)
    return np.asarray(square - total**2 / max(count, 1))


def _sound_enough(file: Path, rate: float, count: int, bad: int, swing: float) -> None:
    """Refuse a file of `count` samples, `bad` of them no numbers, that hold nothing to analyse."""
    if count == 0:
        raise AudioError(f"{named(file)}: no sound in the file, it holds no samples: record it again")
    if bad:
        raise AudioError(
            f"{named(file)}: {bad} of {count} samples are not numbers (NaN, infinite or beyond {LOUDEST:g}): "
            "export it again"
        )
    if count < SHORTEST * rate:
        raise AudioError(
            f"{named(file)}: only {1000 * count / rate:.0f} ms long, at least {1000 * SHORTEST:.0f} are needed: "
            "record again, from before the first stroke until the drum has rung out"
        )
    if swing < 1e-5:
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
