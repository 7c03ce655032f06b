"""What lies in audio files: their rate, channels and length, and their samples block by block.

soundfile reads WAV, FLAC, AIFF and OGG; MP3 and what soundfile cannot read (m4a, AAC, mov, webm) goes to PyAV.
Samples are shape (frames, channels), full scale 1.0. Files are read in blocks, so that memory does not grow with their
length. Every failure is an AudioError of one line.
"""

from __future__ import annotations

import os
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drumtune.errors import AudioError

if TYPE_CHECKING:
    import av.container

RATES = (8000.0, 192000.0)
"""Sample rates read, Hz."""
MOST_CHANNELS = 64
"""Most channels read."""
BLOCK = 1 << 16
"""Frames read at once."""
EXACT = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "AU", "CAF", "FLAC")
"""Formats whose headers state their length exactly."""
MPEG_ENDINGS = (".mp1", ".mp2", ".mp3", ".m1a", ".m2a", ".m3a", ".mpa", ".mpga", ".mpeg", ".mpg")
"""Endings by which soundfile takes a file for MPEG audio, whatever is in it."""
MOST_CHUNKS = 1000
"""Chunks of a file that are looked through for its sound."""
AV_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,aac,matroska,webm,asf,ogg,mp3,wav,aiff,caf,amr,flac,w64,au"
"""Containers PyAV may open."""


@dataclass(frozen=True, slots=True)
class Sound:
    """What a file says of itself.

    Parameters
    ----------
    sample_rate
        Hz.
    channels
        Number of channels.
    frames
        Samples of each channel promised, 0 when it does not say.
    reader
        ``"soundfile"`` or ``"av"``.
    exact
        Whether the promise is exact, so that fewer samples mean a damaged file.
    """

    sample_rate: float
    channels: int
    frames: int
    reader: str
    exact: bool = False


def named(path: Path) -> str:
    """The path on one line, printable."""
    words = "".join(c if c.isprintable() else "?" for c in str(path)) or "''"
    return words if len(words) <= 200 else f"{words[:90]}...{words[-90:]}"


def why(cause: BaseException) -> str:
    """The cause in a few words on one line."""
    words = getattr(cause, "strerror", None) or str(cause) or type(cause).__name__
    return " ".join(words.split())[:120]


def _regular(path: Path) -> None:
    """Refuse what is not a plain file with something in it, before a decoder waits on it for ever."""
    try:
        status = path.stat()
    except FileNotFoundError as cause:
        raise AudioError(f"{named(path)}: no such file: check the name") from cause
    except (OSError, ValueError) as cause:
        raise AudioError(
            f"{named(path)}: cannot be opened ({why(cause)}): check the name and who may read it"
        ) from cause
    if not stat.S_ISREG(status.st_mode):
        raise AudioError(f"{named(path)}: not a file but a device, pipe or socket: record into a file first")
    if status.st_size == 0:
        raise AudioError(f"{named(path)}: the file is empty: record or copy it again")
    if not os.access(path, os.R_OK):
        raise AudioError(f"{named(path)}: you may not read this file: change its permissions")


def describe(path: str | os.PathLike[str]) -> Sound:
    """Find out which reader can read a file, its rate and its channels.

    Raises
    ------
    AudioError
        If it is no plain file, no audio, or of a rate or number of channels outside `RATES` and `MOST_CHANNELS`.
    """
    path = Path(path)
    _regular(path)
    sound = _by_soundfile(path) or _by_av(path)
    if sound is None or sound.channels == 0 or sound.sample_rate == 0.0:
        raise AudioError(f"{named(path)}: not audio, or broken at the start: give WAV, FLAC, AIFF, OGG, MP3 or M4A")
    if not 1 <= sound.channels <= MOST_CHANNELS:
        raise AudioError(f"{named(path)}: has {sound.channels} channels, up to {MOST_CHANNELS} are read: export fewer")
    if not RATES[0] <= sound.sample_rate <= RATES[1]:
        raise AudioError(
            f"{named(path)}: has a sample rate of {sound.sample_rate:.0f} Hz: export it at 8000 to 192000 Hz"
        )
    return sound


def _by_soundfile(path: Path) -> Sound | None:
    """Describe by soundfile; None if it cannot read the file, or prints warnings of its own about it (MPEG audio)."""
    import soundfile

    try:
        if _is_mpeg(path):
            return None
        with soundfile.SoundFile(os.fsencode(path)) as file:
            frames = round(file.frames / _share_present(path)) if 0 < file.frames < 1 << 60 else 0
            return Sound(float(file.samplerate), file.channels, frames, "soundfile", file.format in EXACT)
    except (soundfile.SoundFileError, OSError, TypeError, ValueError):
        return None


def _is_mpeg(path: Path) -> bool:
    """Whether a file is MPEG audio, by its first bytes or its name."""
    with path.open("rb") as file:
        first = file.read(3)
    return first == b"ID3" or (first[:1] == b"\xff" and first[1:2] >= b"\xe0") or path.suffix.lower() in MPEG_ENDINGS


@dataclass(frozen=True, slots=True)
class _Chunks:
    """How a format lays out its chunks: where they begin, how a head is packed, which holds the sound, their padding.

    `whole` tells that a chunk's length counts its head too; from `endless` bytes on a length is no promise.
    """

    start: int
    head: str
    sound: bytes
    padding: int = 1
    whole: bool = False
    endless: int = 0x7FFF0000


_CHUNKS = {
    b"RIFF": _Chunks(12, "<4sI", b"data", 2),
    b"FORM": _Chunks(12, ">4sI", b"SSND", 2),
    b"riff": _Chunks(40, "<16sq", b"data\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a", 8, True, 1 << 62),
}
"""By a file's first four bytes: WAV, AIFF, W64."""


def _share_present(path: Path) -> float:
    """Share (0...1] of the samples a header promises that the file is long enough to hold; 1 where none is promised.

    The reading library trusts the file's length over its header and so cannot tell that a file was cut short. Sizes
    that recorders write before they know (nothing, or all ones) count as no promise.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        form = _CHUNKS.get(file.read(4))
        if form is None:
            return 1.0
        file.seek(form.start)
        for _ in range(MOST_CHUNKS):
            head = file.read(struct.calcsize(form.head))
            if len(head) < struct.calcsize(form.head):
                return 1.0
            name, length = struct.unpack(form.head, head)
            length -= len(head) if form.whole else 0
            if name == form.sound:
                there = size - file.tell()
                return there / length if 0 < there < length < form.endless else 1.0
            if not 0 <= length <= size:
                return 1.0
            file.seek(length + -length % form.padding, os.SEEK_CUR)
    return 1.0


def _opened_by_av(path: Path) -> av.container.InputContainer:
    """Open with PyAV as a plain local file: no playlist that names other files, no address on a network."""
    import av

    return av.open(
        f"file:{path.absolute()}",
        options={"protocol_whitelist": "file", "format_whitelist": AV_FORMATS},
        metadata_errors="replace",
    )


def _by_av(path: Path) -> Sound | None:
    """Describe by PyAV; None if it cannot read the file or finds no audio in it."""
    import av

    try:
        with _opened_by_av(path) as box:
            if not box.streams.audio:
                return None
            stream = box.streams.audio[0]
            length = float(stream.duration * stream.time_base) if stream.duration and stream.time_base else 0.0
            rate = float(stream.rate or 0)
            return Sound(rate, stream.channels, max(0, round(length * rate)), "av")
    except (av.FFmpegError, OSError, ValueError, AttributeError):
        return None


def blocks(path: str | os.PathLike[str], sound: Sound | None = None) -> Iterator[NDArray[np.float64]]:
    """Read a file of any length block by block, shape (frames, channels), full scale 1.0.

    Stops where the data stop, however much the header promised.

    Raises
    ------
    AudioError
        If the file cannot be decoded from the start.
    """
    path = Path(path)
    sound = sound or describe(path)
    return _soundfile_blocks(path) if sound.reader == "soundfile" else _av_blocks(path, sound)


def _soundfile_blocks(path: Path) -> Iterator[NDArray[np.float64]]:
    """Blocks by soundfile."""
    import soundfile

    started = False
    try:
        with soundfile.SoundFile(os.fsencode(path)) as file:
            while True:
                block = file.read(BLOCK, dtype="float64", always_2d=True)
                if block.shape[0] == 0:
                    return
                started = True
                yield block
    except (soundfile.SoundFileError, OSError) as cause:
        if not started:
            raise AudioError(f"{named(path)}: cannot be decoded ({why(cause)}): export it again") from cause


def _av_blocks(path: Path, sound: Sound) -> Iterator[NDArray[np.float64]]:
    """Blocks by PyAV, as planar floating point at the stream's own rate."""
    import av

    started = False
    try:
        with _opened_by_av(path) as box:
            resampler = av.AudioResampler(format="fltp", rate=round(sound.sample_rate))
            for frame in box.decode(audio=0):
                for plane in resampler.resample(frame):
                    block = plane.to_ndarray().T.astype(np.float64)
                    if block.shape[1] != sound.channels:
                        return
                    started = True
                    yield block
    except (av.FFmpegError, OSError, ValueError) as cause:
        if not started:
            raise AudioError(f"{named(path)}: cannot be decoded ({why(cause)}): export it again") from cause
