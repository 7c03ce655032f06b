"""One drum's round as pages see it: any number of them watch, one listens.

A page sends commands as JSON objects and sound as binary messages; it is told everything as JSON objects. Sound comes
with the number of its first frame, so that what was sent twice is taken once and what was lost is known.
"""

from __future__ import annotations

import asyncio
import json
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from drumtune.advice import round as rounds
from drumtune.advice.round import Message
from drumtune.advice.turns import Move, words
from drumtune.errors import DrumtuneError, TakeError
from drumtune.files import written
from drumtune.notes import note_name
from drumtune.session import Session

MOST_FRAMES = 16384
"""Most frames of one message."""
TOLD_EVERY = 0.1
"""Seconds of sound between two messages of the level."""
QUEUE = 256
"""Messages waiting for one page; a page that does not take them is let go."""
READ_S, RING_S = 60.0, 30.0
"""Time limits of a reading and of a ring, s."""


class Answer(Protocol):
    """A reading as the page wants it."""

    @property
    def document(self) -> dict[str, Any]:
        """As of ``drumtune even --json``."""

    @property
    def moves(self) -> tuple[Move, ...]:
        """What to turn."""

    @property
    def verdict(self) -> str:
        """``even``, ``uneven`` or ``unsure``."""


@dataclass(frozen=True, slots=True)
class Work:
    """What the pages can ask for, done in another process.

    Parameters
    ----------
    drums, describe, rods, folder, pair, kit, log
        All drums; a new one; rods of one; where its round is kept; suggestions; its readings.
    read, upload, ring
        Read a take, or a file, with what was turned before it; the last hit. `call` takes a time limit first.
    call
        Does one of these in another process, within so many seconds.
    prepare
        Has the tables of a drum built before its first reading.
    """

    drums: Callable[[], list[dict[str, Any]]]
    describe: Callable[[dict[str, Any]], str]
    rods: Callable[[str], int]
    folder: Callable[[str], Path]
    read: Callable[..., Answer]
    upload: Callable[..., Answer]
    ring: Callable[..., dict[str, Any]]
    pair: Callable[[str], dict[str, Any]]
    kit: Callable[[], dict[str, Any]]
    log: Callable[[str], list[dict[str, Any]]]
    call: Callable[..., Any]
    prepare: Callable[[str], None]


class Page:
    """One open page: what it is still to be told."""

    def __init__(self) -> None:
        self.waiting: asyncio.Queue[str | None] = asyncio.Queue(QUEUE)

    def tell(self, **what: object) -> None:
        """Tell the page something; one that lags far behind is let go."""
        try:
            self.waiting.put_nowait(json.dumps(what, allow_nan=False))
        except asyncio.QueueFull:
            while not self.waiting.empty():
                self.waiting.get_nowait()
            self.waiting.put_nowait(None)


class Drumside:
    """A drum's round and the pages that look at it."""

    def __init__(self, name: str, rods: int, per_rod: int, work: Work) -> None:
        self.name, self.work, self.per_rod = name, work, per_rod
        self.session = Session(rods, per_rod, work.folder(name))
        self.pages: set[Page] = set()
        self.ear: Page | None = None
        self.tune = ""
        self.displaced: set[str] = set()
        self.next_frame = 0
        self.reading: dict[str, Any] | None = self._kept_reading()
        self.busy = ""
        self._told = 0.0
        self._tasks: set[asyncio.Task[None]] = set()
        self._start(self._prepare())

    def join(self, page: Page) -> None:
        """A page was opened."""
        self.pages.add(page)
        page.tell(state=self.state(), reading=self.reading)
        self._read_if_due()

    def leave(self, page: Page) -> None:
        """A page went away. If it was the ear, its sound may go on when it comes back."""
        self.pages.discard(page)
        if self.ear is page:
            self.ear = None

    def state(self) -> dict[str, Any]:
        """What every page shows."""
        state = self.session.state
        plain = rounds.document(state)
        plain["strokes"] = [{"rod": s.rod, "fault": s.fault} for s in state.strokes]
        plain["moves"] = [
            {"order": m.order, "rod": m.rod, "action": m.action, "turns": m.turns, "words": words(m)}
            for m in state.moves
        ]
        plain["heard"] = [
            None if line is None else {"hz": round(line[0], 1), "note": note_name(line[0])[0], "db": round(line[1], 1)}
            for line in self.session.heard()
        ]
        plain["taps"] = [len(state.taps(rod)) for rod in range(1, state.rods + 1)]
        plain |= {"drum": self.name, "left": state.left, "lacking": list(state.lacking), "busy": self.busy}
        plain["listening"] = self.session.stream is not None and self.ear is not None
        return plain

    def tell(self, said: tuple[Message, ...] = ()) -> None:
        """Tell every page where the round is, and what was said."""
        told = [{"kind": m.kind, "text": m.text, "aloud": m.aloud} for m in said]
        for page in tuple(self.pages):
            page.tell(state=self.state(), say=told)

    def hear(self, page: Page, data: bytes) -> None:
        """Take a binary message of the page that listens.

        Raises
        ------
        ValueError
            If it is not a frame number and samples, or the page is not the one that listens.
        """
        if page is not self.ear or self.session.stream is None:
            raise ValueError("this page does not listen")
        first, samples = unpacked(data)
        if self.next_frame < 0:  # the first block since the microphone was opened, or since this program began
            skip = self.session.place(self.tune, first)
            first, samples = first + skip, samples[skip:]
            self.next_frame = first
        lost = first - self.next_frame
        if lost < 0:
            samples, lost = samples[-lost:], 0
            if samples.size == 0:
                return
        self.next_frame = max(first, self.next_frame) + samples.size
        said = self.session.feed(samples, lost)
        if said:
            self.tell(said)
        if self.session.time - self._told >= TOLD_EVERY or self.session.time < self._told:
            self._told = self.session.time
            for other in tuple(self.pages):
                other.tell(level=round(self.session.level, 4), got=self.next_frame, safe=self.session.safe)
        self._read_if_due()

    def listen(self, page: Page, rate: float, tune: str) -> None:
        """Make a page the ear: with a new microphone, or with the one it had before it lost touch.

        Raises
        ------
        ValueError
            If the rate is none.
        """
        if not 8000.0 <= rate <= 192000.0 or not 1 <= len(tune) <= 64:
            raise ValueError("a microphone has a rate of 8000 to 192000 Hz and a name")
        if tune in self.displaced:  # it lost touch, and comes back by itself
            page.tell(deaf="another page listens now")
            return
        if self.ear is not None and self.ear is not page:
            self.ear.tell(deaf="another page listens now")
        self.ear = page
        same = tune == self.tune and self.session.stream is not None and self.session.stream.sample_rate == rate
        said: tuple[Message, ...] = ()
        if not same:
            self.displaced |= {self.tune} - {tune, ""}
            self.tune, self.next_frame = tune, -1
            said = self.session.listen(rate, tune)
        page.tell(ear=True, got=max(self.next_frame, 0))
        self.tell(said)

    def do(self, page: Page, asked: dict[str, Any]) -> None:
        """Do what a page asks.

        Raises
        ------
        ValueError
            If that is nothing known, or does not fit.
        """
        what = asked.get("do")
        if what == "listen":
            self.listen(page, _number(asked.get("rate")), str(asked.get("tune", "")))
        elif what == "stop":
            if page is self.ear:
                self.ear, self.tune = None, ""
                self.tell(self.session.stop())
                self._read_if_due()
        elif what == "ring":
            self._start(self._ring(page))
        else:
            event = _event(asked)
            self.tell(self.session.do(event))
            if isinstance(event, rounds.Next | rounds.Restart):
                self.keep_reading(None)
            self._read_if_due()

    def _read_if_due(self) -> None:
        if self.session.wants_reading:
            self.session.asked()
            self._start(self._read())

    def _start(self, work: Any) -> None:  # noqa: ANN401  # a coroutine
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _prepare(self) -> None:
        await asyncio.to_thread(self.work.prepare, self.name)

    async def _read(self) -> None:
        try:
            self.tell(self.session.look_over())
            said = await self._answer() if self.session.state.phase == "reading" else ()
        except DrumtuneError as failure:
            said = self._failed(failure)
        finally:
            self.busy = ""
        self.tell(said)

    async def _answer(self) -> tuple[Message, ...]:
        """Read the round that is complete."""
        state = self.session.state
        self.busy = "reading"
        self.tell()
        take = self.session.take()
        found = await asyncio.to_thread(self.work.call, READ_S, self.work.read, self.name, take, state.turned)
        if self.session.state.strokes == state.strokes:
            return self._found(found)
        self.session.dropped()
        return ()

    def _found(self, found: Answer) -> tuple[Message, ...]:
        """Go on to the moves of a reading; if the disk does not take them, that is told and the round goes on."""
        try:
            said = self.session.found(found.verdict, found.moves)
        except DrumtuneError as failure:
            said = (_unkept(failure),)
        try:
            self.keep_reading(found.document)
        except DrumtuneError as failure:
            said = (*said, _unkept(failure))
        return said

    def _failed(self, failure: DrumtuneError) -> tuple[Message, ...]:
        """There is no reading of the round, and why; it holds even if the disk does not take it."""
        try:
            return self.session.failed(str(failure))
        except DrumtuneError as other:
            return (_unkept(other),)

    async def _ring(self, page: Page) -> None:
        try:
            samples, rate = self.session.last_hit()
            page.tell(ring=await asyncio.to_thread(self.work.call, RING_S, self.work.ring, self.name, samples, rate))
        except DrumtuneError as failure:
            page.tell(ring={"trouble": str(failure)})

    @property
    def turned(self) -> tuple[float, ...] | None:
        """What was turned before a recording handed in now: the ticked moves; None where nothing was said of any."""
        state = self.session.state
        if state.phase != "moves":
            return state.turned
        return state.made if state.ticked else None

    def uploaded(self, found: Answer) -> None:
        """A recording was read in place of a round that is listened to."""
        state = self.session.state
        if state.phase != "reading":
            self.session.do(rounds.Restart())
            fresh = self.session.state
            self.session.state = rounds.Round(
                fresh.rods, fresh.per_rod, fresh.number, "reading", 0, turned=fresh.turned
            )
        self.tell(self._found(found))

    def keep_reading(self, document: dict[str, Any] | None) -> None:
        """Tell the pages that are open the last reading, and keep it for those that open later."""
        self.reading = document
        for page in tuple(self.pages):
            page.tell(reading=document)
        with written(self._reading_file()) as temporary:
            temporary.write_text(json.dumps(document), encoding="utf-8")

    def _reading_file(self) -> Path:
        return self.work.folder(self.name) / "reading.json"

    def _kept_reading(self) -> dict[str, Any] | None:
        try:
            found = json.loads(self._reading_file().read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return found if isinstance(found, dict) and self.session.state.phase == "moves" else None


def unpacked(data: bytes) -> tuple[int, np.ndarray[Any, np.dtype[np.float64]]]:
    """First frame and samples of a binary message: an unsigned 64-bit number and 32-bit floats, little endian.

    Raises
    ------
    ValueError
        If it is not such a message, too long, or holds what are no samples.
    """
    if len(data) < 12 or len(data) % 4 or len(data) > 8 + 4 * MOST_FRAMES:
        raise ValueError(f"sound comes as a frame number and 1 to {MOST_FRAMES} samples")
    first = struct.unpack_from("<Q", data)[0]
    samples = np.frombuffer(data, "<f4", offset=8)
    if first >= 1 << 53 or not np.isfinite(samples).all() or np.abs(samples).max() > 64.0:
        raise ValueError("these are no samples")
    return int(first), samples.astype(np.float64)


def _unkept(failure: DrumtuneError) -> Message:
    """What to tell of a round that goes on though the disk did not take it."""
    return Message("wrong", f"A stop of the program would lose this: {failure}")


_PLAIN: dict[str, Callable[[], rounds.Event]] = {
    "skip": rounds.Skip, "again": rounds.Again, "back": rounds.Back, "extra": rounds.Extra, "enough": rounds.Enough,
    "next": rounds.Next, "restart": rounds.Restart,
}  # fmt: skip


def _event(asked: dict[str, Any]) -> rounds.Event:
    """Event a page asks for."""
    what = asked.get("do")
    if isinstance(what, str) and what in _PLAIN:
        return _PLAIN[what]()
    if what == "go":
        return rounds.Go(int(_number(asked.get("rod"))))
    if what == "tick":
        return rounds.Tick(int(_number(asked.get("order"))))
    raise ValueError("that is nothing a page can ask for")


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e9:
        raise ValueError("a number was expected")
    return float(value)


def refusal(failure: Exception) -> str:
    """What to tell of a failure, one short line."""
    return " ".join(str(failure).split())[:300] if isinstance(failure, ValueError | TakeError | DrumtuneError) else ""
