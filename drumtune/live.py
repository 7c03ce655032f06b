"""The microphone of this machine by PortAudio (python-sounddevice, extra ``live``): blocks in a queue, troubles told.

The callback only copies and queues. Overruns are known from two sides, since status flags may stay empty: PortAudio's
own word, and frames held against the clock. A device that goes away ends the iteration with a DrumtuneError.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drumtune.errors import DrumtuneError

BLOCK = 512
"""Frames asked for at once."""
MOST_WAITING = 4000
"""Blocks that may wait, some 40 s."""
LATE = 0.5
"""Seconds the frames may lag behind the clock before sound counts as lost."""
PATIENCE = 0.1
"""Seconds waited for a block before looking round."""
LOUD = 0.97
"""Level above which it is too loud, full scale 1."""
SILENT_FOR = 3.0
"""Seconds without any block after which the device counts as gone."""


class DeviceError(DrumtuneError):
    """A microphone that cannot be opened or went away."""


@dataclass(frozen=True, slots=True)
class Device:
    """An input: its number, name, channels and usual rate (Hz)."""

    number: int
    name: str
    channels: int
    sample_rate: float


@dataclass(frozen=True, slots=True)
class Block:
    """Samples of one channel, and how many frames were lost before them."""

    samples: NDArray[np.float64]
    lost: int = 0


def backend() -> ModuleType:
    """python-sounddevice, if it and PortAudio are there.

    Raises
    ------
    DeviceError
        Saying how to get them.
    """
    try:
        import sounddevice
    except (ImportError, OSError) as cause:
        raise DeviceError(
            "the microphone needs python-sounddevice and PortAudio: pip install 'drumtune[live]' (and the system's "
            "libportaudio2), or use drumtune serve"
        ) from cause
    return sounddevice  # type: ignore[no-any-return]


def devices(sound: ModuleType | None = None) -> tuple[Device, ...]:
    """Inputs there are.

    Raises
    ------
    DeviceError
        If sound cannot be reached at all.
    """
    sound = sound or backend()
    try:
        found = sound.query_devices()
    except sound.PortAudioError as cause:
        raise DeviceError(f"the sound system does not answer: {_why(cause)}") from cause
    return tuple(
        Device(i, str(one["name"]), int(one["max_input_channels"]), float(one["default_samplerate"]))
        for i, one in enumerate(found)
        if one["max_input_channels"] > 0
    )


def chosen(wanted: str | None, sound: ModuleType | None = None) -> Device:
    """The input of a number, or whose name holds the words; the usual one when None.

    Raises
    ------
    DeviceError
        If there is none, or several are meant; the message lists them.
    """
    sound = sound or backend()
    known = devices(sound)
    if not known:
        raise DeviceError("no microphone was found: plug one in, or use drumtune serve on a phone")
    if wanted is None:
        usual = sound.default.device[0]
        return next((one for one in known if one.number == usual), known[0])
    fit = [one for one in known if wanted.casefold() in one.name.casefold()]
    if wanted.isdigit():
        fit = [one for one in known if one.number == int(wanted)]
    if len(fit) != 1:
        names = "; ".join(f"{one.number} {one.name}" for one in known)
        raise DeviceError(f"{'no' if not fit else 'more than one'} microphone is {wanted!r}: there are {names}")
    return fit[0]


def again(device: Device, sound: ModuleType | None = None) -> Device:
    """The device of the same name as it is now, after it went away: PortAudio lists what there is when it starts."""
    sound = sound or backend()
    with suppress(sound.PortAudioError):
        sound._terminate()
        sound._initialize()
    with suppress(DeviceError):
        same = [one for one in devices(sound) if one.name == device.name]
        if same:
            return same[0]
    return device


class Microphone:
    """An open input, as a context; `blocks` gives what it hears.

    Parameters
    ----------
    device
        Which one.
    clock
        Seconds that only grow.
    sound
        python-sounddevice, or what stands for it in tests.
    channel
        Which channel, from 1.
    """

    def __init__(self, device: Device, clock: Callable[[], float], sound: ModuleType | None = None, channel: int = 1
                 ) -> None:  # fmt: skip
        if not 1 <= channel <= device.channels:
            raise DeviceError(f"{device.name} has {device.channels} channels, there is no channel {channel}")
        self.device, self.sample_rate = device, device.sample_rate
        self._clock, self._sound, self._channel = clock, sound or backend(), channel
        self._queue: queue.Queue[tuple[NDArray[np.float32], bool]] = queue.Queue(MOST_WAITING)
        self._dropped = 0
        self._over = False
        self._stream: Any = None

    def __enter__(self) -> Microphone:
        """Open the device."""
        try:
            self._stream = self._sound.InputStream(
                device=self.device.number, channels=self._channel, samplerate=self.sample_rate, blocksize=BLOCK,
                dtype="float32", latency="high", callback=self._hear, finished_callback=self._finish,
            )  # fmt: skip
            self._stream.start()
        except self._sound.PortAudioError as cause:
            self.__exit__()  # it may be open though it does not start
            raise DeviceError(f"{self.device.name} cannot be opened: {_why(cause)}") from cause
        return self

    def __exit__(self, *what: object) -> None:
        """Close it."""
        if self._stream is not None:
            with suppress(self._sound.PortAudioError):
                self._stream.close()

    def _hear(self, data: NDArray[np.float32], frames: int, time: object, status: Any) -> None:  # noqa: ANN401
        try:
            self._queue.put_nowait((data[:, self._channel - 1].copy(), bool(status.input_overflow)))
        except queue.Full:
            self._dropped += frames

    def _finish(self) -> None:
        self._over = True

    def blocks(self) -> Iterator[Block | None]:
        """What is heard, block by block; None whenever nothing came for a moment.

        Raises
        ------
        DeviceError
            If the device went away.
        """
        began: float | None = None
        heard, last = 0, self._clock()
        while True:
            try:
                data, overflow = self._queue.get(timeout=PATIENCE)
            except queue.Empty:
                if self._over or self._clock() - last > SILENT_FOR:
                    raise DeviceError(f"{self.device.name} went away: plug it in again; the round is kept") from None
                yield None
                continue
            last = self._clock()
            began = last if began is None else began
            lost, self._dropped = self._dropped, 0
            due = round((last - began) * self.sample_rate)
            behind = due - heard - data.size
            if self._queue.empty() and (overflow or behind > LATE * self.sample_rate):
                lost += max(behind, BLOCK if overflow else 0)
            elif overflow:
                lost += BLOCK
            heard += data.size + lost
            yield Block(data.astype(np.float64), lost)


def _why(cause: BaseException) -> str:
    return " ".join(str(cause).split())[:160]
