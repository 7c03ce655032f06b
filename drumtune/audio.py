"""Recordings from files, and files from recordings.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz. Files are described and read in blocks by
``drumtune.source``; what is longer than its `LONGEST` is not kept in memory here but refused (``drumtune.streamed``
finds taps in recordings of any length). Every failure is an AudioError of one line.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drumtune.files import written
from drumtune.source import Source, Track, describe_take, in_memory

Samples = NDArray[np.float64]


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
    whole
        Length of the recording in s where `samples` hold only pieces of it, else None; `parts` are then of the whole.
    """

    samples: Samples
    sample_rate: float
    files: tuple[str, ...]
    channel: int = 1
    channels: int = 1
    warnings: tuple[str, ...] = ()
    parts: tuple[tuple[int, int], ...] = ()
    whole: float | None = None

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.samples.size / self.sample_rate if self.whole is None else self.whole


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
    return read_whole(describe_take(paths, channel))


def read_whole(source: Source) -> Recording:
    """Read all samples of a take into memory; as `read_take`."""
    most = min(source.longest, in_memory(source.sample_rate))
    return _joined([_read(track) for track in replace(source, longest=most).tracks()])


def read_recording(path: str | os.PathLike[str], channel: int | None = None) -> Recording:
    """Read one file: as `read_take` of that one path."""
    return read_take([path], channel)


def _read(track: Track) -> Recording:
    """One channel of one file, checked."""
    kept = list(track)
    samples = kept[0] if len(kept) == 1 else np.concatenate(kept)
    return Recording(
        samples, track.sound.sample_rate, (str(track.file),), track.channel, track.sound.channels, track.warnings,
        ((0, samples.size),),
    )  # fmt: skip


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
        soundfile.write(os.fsencode(temporary), whole, round(sample_rate), subtype=f"PCM_{bits}", format="WAV")
