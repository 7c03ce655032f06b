"""A round as it goes on: sound in, messages out, everything kept so that it can go on after a stop.

Joins the live taps (`drumtune.dsp.stream`) and the round (`drumtune.advice.round`), and keeps the sound round the
strokes, which is what a reading needs. What must outlive the program is in a folder of its own: ``round.json`` and
``sound.bin``. Both are written as the round goes on. A stroke whose ring was not yet on the disk is asked for again,
unless the microphone's side still has its sound: `Session.safe` says what it may forget, `Session.place` where what it
sends again belongs.

Times in s on the session's own clock: it runs with the sound, and goes on across microphones and starts of the program.
Does not read the head; `Session.take` gives what `drumtune.advice.evenness.read_head` wants.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.order import slipped, sounds
from drumtune.advice.round import (
    RINGING,
    Doubted,
    Event,
    Failed,
    Forgot,
    Found,
    Lost,
    Message,
    Next,
    Restart,
    Round,
    Slipped,
    Sound,
    Struck,
    document,
    from_document,
    step,
)  # fmt: skip
from drumtune.dsp.loudest import loudest_line
from drumtune.dsp.stream import Heard, Stream
from drumtune.dsp.taps import Tap
from drumtune.errors import DrumtuneError, TakeError
from drumtune.files import written

Samples = NDArray[np.float64]

CHUNK = 0.1
"""Length of the pieces sound is kept in, s."""
BEFORE, AFTER = 0.5, 1.4
"""Sound kept before and after a stroke, s."""
RING = RINGING
"""Sound after the last stroke that a reading waits for, s: its longest window has 0.95 s. With 1.2 s, of which it looks
at in a recording, the pulls of the takes in tests/data differ by 0.06 cents at most."""
BEHIND = 3.0
"""Sound so old (s) is judged and on the disk; younger sound is needed again if the program is killed."""
SAME = 0.05
"""Strokes nearer than this are the same stroke, s."""
LONGEST_GAP = 2.0
"""Lost sound is put in as silence of no more than this, s."""
PAUSE = 3.0
"""Time put between the sound of one microphone or program start and the next, s."""
FASTEST = 1e6
"""No microphone has more samples in a second (Hz)."""
_RECENT = 24
_DAMAGED = (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError)
"""What a record that is damaged fails with."""


@dataclass(frozen=True, slots=True)
class Take:
    """The round's sound: samples with the pauses between strokes at their true length, rate (Hz), taps of each rod."""

    samples: Samples
    sample_rate: float
    groups: tuple[tuple[Tap, ...], ...]

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.samples.size / self.sample_rate


@dataclass(frozen=True, slots=True)
class Mark:
    """Frame `frame` of the microphone `source` (empty: no name) is at `time` (s) of the session's clock."""

    source: str
    frame: int
    time: float


class Session:
    """One drum's round.

    Parameters
    ----------
    rods, per_rod
        What the round asks for.
    folder
        Where it is kept, made if need be; None keeps nothing.
    """

    def __init__(self, rods: int, per_rod: int, folder: Path | None = None) -> None:
        self.state = Round(rods, per_rod)
        self.stream: Stream | None = None
        self.level = 0.0
        self.lost = 0.0
        self._rate = 0.0
        self._begin = self._judge_from = 0.0
        self._last_tap = -math.inf
        self._wanted_now = False
        self._checked = 0
        self._mark: Mark | None = None
        self._before: Mark | None = None
        self._judged = self._until = -math.inf
        self._cut: tuple[float, ...] = ()
        self._taps: dict[float, Tap] = {}
        self._lines: dict[float, tuple[float, float] | None] = {}
        self._keep = _Keep(folder)
        if folder is not None:
            self._resume(folder)

    @property
    def time(self) -> float:
        """The session's clock, s."""
        return self._begin + (self.stream.time if self.stream else 0.0)

    @property
    def wants_reading(self) -> bool:
        """Whether all taps are in, with their rings, and no reading was asked for yet."""
        if self.state.phase != "reading" or self.state.trouble or self._wanted_now:
            return False
        return self.stream is None or self.time >= self._last_tap + RING

    def listen(self, sample_rate: float, source: str = "") -> tuple[Message, ...]:
        """Sound comes in from now on at a rate in Hz, from a microphone that was just opened.

        `source` names it: if the program was stopped while that one was open, its sound may go on (`place`).
        """
        said = self.stop()
        if self._rate and sample_rate != self._rate:
            self._keep.clear()
        last, self._mark = self._mark, None
        self._before = last if last is not None and source == last.source != "" and sample_rate == self._rate else None
        if self._before is None:
            self._until, self._cut = -math.inf, ()
        if self.state.strokes and self._rate and sample_rate != self._rate and self.state.phase != "moves":
            said += (Message("note", "The microphone has another sample rate now: the round begins anew.", True),)
            said += self.do(Restart())
        self._begin = self._judge_from = self._keep.end(self.time, sample_rate)
        self._rate = float(sample_rate)
        self.stream = Stream(sample_rate)
        self._keep.open(self._rate, self._begin)
        return said

    def place(self, source: str, first: int) -> int:
        """Say, before any sound is fed, which frame of the microphone comes first; how many samples to leave out.

        If the microphone is the one that was open when an earlier run of the program was stopped, its sound is put
        where it belongs in the time of the round, and strokes that were heard then are not counted again. What it kept
        may begin before the mark: that run left out samples up to a border, and was stopped before it said so.
        """
        skip = 0
        before, self._before = self._before, None
        due = -1.0 if before is None else before.time + (first - before.frame) / self._rate
        if due * self._rate > -0.5:
            self._begin = self._keep.border(due, self._rate)
            self._judge_from = self._begin + BEFORE
            skip = round((self._begin - due) * self._rate)
            self._keep.open(self._rate, self._begin)
        else:
            self._until, self._cut = -math.inf, ()
        self._mark = Mark(source, first + skip, self._begin)
        self._save()
        return skip

    @property
    def safe(self) -> int:
        """Frame of the microphone before which nothing is needed again, even if the program is killed now."""
        if self._mark is None or self.stream is None:
            return 0
        return self._mark.frame + max(math.floor((self.time - BEHIND - self._mark.time) * self._rate), 0)

    def stop(self) -> tuple[Message, ...]:
        """The microphone is closed; the round stays where it is."""
        if self.stream is None:
            return ()
        self._mark = None
        said = self._tell(self.stream.finish())
        if self.state.ringing(self.time):
            said += self.do(Lost(self.time))
        self._begin = self.time + PAUSE
        self.stream = None
        self._save()
        return said

    def feed(self, block: NDArray[np.floating], lost: int = 0) -> tuple[Message, ...]:
        """Take the next samples; `lost` says how many went missing before them.

        Raises
        ------
        ValueError
            If there is no microphone, or the block is not one finite channel.
        """
        if self.stream is None:
            raise ValueError("no microphone is open: listen first")
        said: tuple[Message, ...] = ()
        if lost > 0:
            gap = np.zeros(min(lost, round(LONGEST_GAP * self._rate)))
            self.lost += lost / self._rate
            since = self.time
            if self._mark is not None:  # time goes on by less than frames do
                self._mark = replace(self._mark, frame=self._mark.frame + lost - gap.size)
            said = self._take_in(gap)
            said += self.do(Lost(since))
        return (*said, *self._take_in(block))

    def _take_in(self, block: NDArray[np.floating]) -> tuple[Message, ...]:
        assert self.stream is not None
        heard = self.stream.feed(block)
        self._keep.add(block)
        if block.size:
            self.level = max(float(np.abs(block).max()), 0.9 * self.level)
        return self._tell(heard)

    def _tell(self, heard: Iterable[Heard]) -> tuple[Message, ...]:
        said: list[Message] = []
        for sound in heard:
            if self._heard_before(sound):
                continue
            if sound.tap is None:
                said += self.do(Sound(self._begin + sound.time, sound.reason, sound.tone_db))
                continue
            tap = _moved(sound.tap, self._begin)
            self._last_tap = tap.onset
            if self.state.phase == "tapping":
                self._taps[tap.onset] = tap
                self._lines[tap.onset] = self._line(tap.onset)
                self._keep.want(tap.onset - BEFORE, tap.onset + AFTER)
            said += self._strike(tap)
        return tuple(said)

    def _strike(self, tap: Tap) -> tuple[Message, ...]:
        """Book a stroke at the rod that was due when it was played, though it may cast doubt on others before it."""
        due = self.state.due
        said = self.look_again() if due else ()
        return said + self.do(Struck(tap.onset, tap.peak, tap.fault, due))

    def _heard_before(self, sound: Heard) -> bool:
        """Whether a sound that was sent again was judged before the program was stopped; its stroke is known then."""
        time = self._begin + (sound.time if sound.tap is None else sound.tap.onset)
        self._judged = max(self._judged, time)
        if time > self._until + SAME or any(abs(time - cut) < SAME for cut in self._cut):
            return False
        if sound.tap is not None and any(abs(time - stroke.time) < SAME for stroke in self.state.strokes):
            self._last_tap = max(self._last_tap, time)
            self._keep.want(time - BEFORE, time + AFTER)
        return True

    def do(self, event: Event) -> tuple[Message, ...]:
        """Go one event further and keep it.

        Raises
        ------
        ValueError
            As `drumtune.advice.round.step`.
        """
        before = self.state
        self.state, said = step(self.state, event)
        if self.state.phase != "reading" or before.phase != "reading":
            self._wanted_now = False
        if isinstance(event, Next | Restart) and not self.state.strokes:
            self._checked, self._cut = 0, ()
            self._taps.clear()
            self._lines.clear()
            self._keep.clear()
        if self.state is not before:
            self._save()
        return said

    def dropped(self) -> None:
        """A reading of this round is in the log, though its strokes have changed since: its turns are told there."""
        self.state = replace(self.state, turned=(0.0,) * self.state.rods)
        self._save()

    def asked(self) -> None:
        """A reading is under way: `wants_reading` is answered."""
        self._wanted_now = True

    def look_again(self, complete: bool = False) -> tuple[Message, ...]:
        """Judge the strokes of this microphone together, `complete` or not; odd ones are asked for again.

        Strokes at the beginning of sound that was sent again, whose lead is missing, and those the stream has forgotten
        are left as they were judged.
        """
        if self.stream is None or self.state.phase == "moves":
            return ()
        first = max(self._judge_from, self._begin + self.stream.known_from)
        counted = [stroke for stroke in self.state.strokes if not stroke.fault and stroke.time >= first]
        if not counted:
            return ()
        expected = len(counted) if complete else None
        search = self.stream.search(expected, counted[0].time - self._begin - 0.05)
        found = np.array([tap.onset + self._begin for tap in search.taps])
        odd = [s.time for s in counted if not found.size or np.abs(found - s.time).min() > 0.05]
        return self.do(Doubted(tuple(odd))) if odd else ()

    def look_over(self) -> tuple[Message, ...]:
        """Before a reading: judge the strokes as all there are, then, if they stand, their order."""
        said = self.look_again(complete=True)
        return said + self.check_order() if self.state.phase == "reading" else said

    def check_order(self) -> tuple[Message, ...]:
        """Say if the round slipped by a tap, once in a round: the player may know better."""
        state = self.state
        counted = [stroke for stroke in state.strokes if not stroke.fault]
        in_order = all(a.rod <= b.rod for a, b in pairwise(counted))
        if self._checked == state.number or not in_order or len(counted) != state.rods * state.per_rod:
            return ()
        self._checked = state.number
        start, samples = self._keep.whole()
        onsets = np.array([stroke.time - start for stroke in counted])
        found = slipped(sounds(samples, self._rate, onsets), state.rods, state.per_rod)
        return () if found is None else self.do(Slipped(found.rod, found.by, found.first))

    def take(self) -> Take:
        """What was kept of the round.

        Raises
        ------
        TakeError
            If there is no sound of it.
        """
        strokes = self.state.strokes
        start, samples = self._keep.whole()
        if not strokes or samples.size == 0:
            raise TakeError("there is no sound of this round: tap it again", reason="silence")
        groups: list[list[Tap]] = [[] for _ in range(self.state.rods)]
        for stroke in strokes:
            if stroke.fault == "other":
                continue
            tap = self._taps.get(stroke.time) or Tap(stroke.time, stroke.peak, 20.0 * math.log10(stroke.peak + 1e-12))
            groups[stroke.rod - 1].append(_moved(tap, -start, stroke.fault or tap.fault))
        return Take(samples, self._rate, tuple(tuple(taps) for taps in groups))

    def found(self, verdict: str, moves: tuple[Any, ...]) -> tuple[Message, ...]:
        """The reading of this round."""
        return self.do(Found(verdict, moves))

    def failed(self, text: str) -> tuple[Message, ...]:
        """There is no reading of this round."""
        return self.do(Failed(text))

    def heard(self) -> tuple[tuple[float, float] | None, ...]:
        """Loudest line of each rod's taps so far, frequency (Hz) and level (dB) as medians; None where none is known.

        It is what was heard there, not how tight the head is there.
        """
        found = []
        for rod in range(1, self.state.rods + 1):
            lines = [self._lines.get(stroke.time) for stroke in self.state.taps(rod)]
            known = [line for line in lines if line is not None]
            middle = np.median(np.array(known), axis=0) if known else None
            found.append(None if middle is None else (float(middle[0]), float(middle[1])))
        return tuple(found)

    def _line(self, onset: float) -> tuple[float, float] | None:
        """Loudest line of the half second after an onset, from the stream or from what is kept."""
        if self.stream is not None and onset >= self._begin:
            start, samples = self.stream.recent(onset - self._begin, onset - self._begin + 0.5)
            return loudest_line(samples, self._rate) if start <= onset - self._begin + 0.01 else None
        start, samples = self._keep.whole()
        first = round((onset - start) * self._rate)
        return loudest_line(samples[max(first, 0) : first + round(0.5 * self._rate)], self._rate)

    def last_hit(self, before: float = 0.3, longest: float = 5.0) -> tuple[Samples, float]:
        """Sound of the last stroke from a little before it, and its rate.

        Raises
        ------
        TakeError
            If nothing was struck, or it is no longer remembered.
        """
        if self.stream is None or self._last_tap < self._begin:
            raise TakeError("nothing was struck yet: strike the drum once and let it ring out", reason="silence")
        first = self._last_tap - self._begin - before
        start, samples = self.stream.recent(first, first + before + longest)
        if start > first + before - 0.05 or samples.size < 0.6 * self._rate:
            raise TakeError("the last stroke is too long ago: strike the drum once more", reason="silence")
        return samples, self._rate

    def keep(self) -> None:
        """Write down where the round is; the program may end now."""
        self._save()

    def _save(self) -> None:
        mark = None if self._mark is None else [self._mark.source, self._mark.frame, self._mark.time]
        judged = self._judged if math.isfinite(self._judged) else None
        plain = {"rate": self._rate, "clock": self.time, "mark": mark, "judged": judged, "cut": list(self._cut)}
        self._keep.save({**plain, "round": document(self.state)})

    def _resume(self, folder: Path) -> None:
        """Go on where an earlier run stopped, if it is the same kind of round; what is damaged is not taken up."""
        try:
            state, rate, clock, mark, judged, cut = _written_down(folder)
            if (state.rods, state.per_rod) != (self.state.rods, self.state.per_rod):
                return
            self._rate = rate
            self._keep.load(rate)
            counted = [stroke.time for stroke in state.strokes if not stroke.fault]
            self._lines = {time: self._line(time) for time in counted}
        except _DAMAGED:
            self._rate = 0.0
            self._keep.clear()
            return
        self.state, self._begin = state, clock + PAUSE
        self._mark, self._judged, self._until = mark, judged, judged
        new = tuple(time for time in counted if not self._keep.has(time - 0.2, time + RING))
        awaited = (time for time in cut if all(abs(time - stroke.time) >= SAME for stroke in state.strokes))
        self._cut = (*awaited, *new)
        if new:
            self.do(Forgot(new))


def _written_down(folder: Path) -> tuple[Round, float, float, Mark, float, tuple[float, ...]]:
    """What `Session` wrote down: round, rate (Hz), clock, mark, the time up to which sound was judged, strokes awaited.

    Strokes awaited are those that an earlier stop cut off and that were not sent again yet, as times (s).

    Raises
    ------
    OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError
        If nothing was, or it is damaged.
    """
    plain = json.loads((folder / "round.json").read_text(encoding="utf-8"))
    state = from_document(plain["round"])
    rate, clock = float(plain["rate"]), float(plain["clock"])
    source, frame, time = plain["mark"] or ("", 0, 0.0)
    mark = Mark(str(source), int(frame), float(time))
    judged = None if plain["judged"] is None else float(plain["judged"])
    cut = tuple(float(time) for time in plain.get("cut", ()))
    if not (0.0 <= rate <= FASTEST and all(math.isfinite(time) for time in (clock, mark.time, judged or 0.0, *cut))):
        raise ValueError("no session has such a rate or time")
    return state, rate, clock, mark, -math.inf if judged is None else judged, cut


def _moved(tap: Tap, by: float, fault: str | None = None) -> Tap:
    """The same stroke on another clock."""
    return Tap(tap.onset + by, tap.peak, tap.level_db, tap.clipped, tap.fault if fault is None else fault)


class _Keep:
    """The sound round the strokes, in numbered chunks, in memory and in a file."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._size = 0
        self._rate = 0.0
        self._next = 0
        self._rest = np.zeros(0, np.float32)
        self._recent: dict[int, NDArray[np.float32]] = {}
        self._kept: dict[int, NDArray[np.float32]] = {}
        self._wanted: set[int] = set()
        if folder is not None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as cause:
                raise DrumtuneError(f"cannot make the folder {folder}: {cause.strerror or cause}") from cause

    def border(self, time: float, rate: float) -> float:
        """The first border of a chunk from a time on (s)."""
        size = round(CHUNK * rate)
        return math.ceil(round(time * rate, 3) / size) * size / rate

    def end(self, clock: float, rate: float) -> float:
        """A time after all that is kept, on the border of a chunk (s)."""
        size = round(CHUNK * rate)
        last = max(self._kept, default=-1) + 1
        return max(math.ceil(clock * rate / size), last) * size / rate

    def open(self, rate: float, begin: float) -> None:
        """Sound of a rate comes in from a time on."""
        self._rate, self._size = rate, round(CHUNK * rate)
        self._next = round(begin * rate / self._size)
        self._rest = np.zeros(0, np.float32)
        self._recent.clear()
        self._wanted.clear()

    def add(self, block: NDArray[np.floating]) -> None:
        """Take sound in; of what no stroke wants, the last two seconds are remembered."""
        data = np.concatenate((self._rest, block.astype(np.float32)))
        whole = data.size // self._size * self._size
        for start in range(0, whole, self._size):
            number, chunk = self._next, data[start : start + self._size].copy()
            self._next += 1
            if number in self._wanted:
                self._wanted.discard(number)
                self._store(number, chunk)
            elif number in self._kept:
                continue
            else:
                self._recent[number] = chunk
                self._recent.pop(number - _RECENT, None)
        self._rest = data[whole:].copy()

    def want(self, start: float, stop: float) -> None:
        """Keep the sound from `start` to `stop` (s), past or to come."""
        first, last = (math.floor(time * self._rate / self._size) for time in (start, stop))
        for number in range(max(first, 0), last + 1):
            if number in self._recent:
                self._store(number, self._recent.pop(number))
            elif number >= self._next and number not in self._kept:
                self._wanted.add(number)

    def has(self, start: float, stop: float) -> bool:
        """Whether all sound from `start` to `stop` (s) is kept."""
        if not self._size:
            return False
        first, last = (math.floor(time * self._rate / self._size) for time in (start, stop))
        return all(number in self._kept for number in range(max(first, 0), last + 1))

    def whole(self) -> tuple[float, Samples]:
        """Time of the first sample kept and all samples, pauses filled with the middle of the rest."""
        numbers = sorted(self._kept)
        if not numbers:
            return 0.0, np.zeros(0)
        begun = self._next in self._wanted and self._next > numbers[-1]  # a chunk that is not full yet
        sound = np.full((max(numbers[-1], self._next if begun else 0) + 1 - numbers[0], self._size), np.nan)
        for number in numbers:
            sound[number - numbers[0]] = self._kept[number]
        if begun:
            sound[-1, : self._rest.size] = self._rest
        middle = float(np.nanmedian(sound))
        return numbers[0] * self._size / self._rate, np.nan_to_num(sound, nan=middle).reshape(-1)

    def clear(self) -> None:
        """Forget all that was kept."""
        self._kept.clear()
        self._wanted.clear()
        if self._folder is not None:
            (self._folder / "sound.bin").unlink(missing_ok=True)

    def _store(self, number: int, chunk: NDArray[np.float32]) -> None:
        self._kept[number] = chunk
        if self._folder is None:
            return
        try:
            with (self._folder / "sound.bin").open("ab") as file:
                file.write(np.int64(number).tobytes() + chunk.astype("<f4").tobytes())
        except OSError as cause:
            raise DrumtuneError(f"cannot keep the round in {self._folder}: {cause.strerror or cause}") from cause

    def save(self, plain: dict[str, Any]) -> None:
        """Keep where the round is."""
        if self._folder is not None:
            with written(self._folder / "round.json") as temporary:
                temporary.write_text(json.dumps(plain), encoding="utf-8")

    def load(self, rate: float) -> None:
        """Bring back what an earlier run kept; a record that was cut off is left out."""
        self._rate, self._size = rate, round(CHUNK * rate)
        file = None if self._folder is None else self._folder / "sound.bin"
        if file is None or not file.exists() or self._size == 0:
            return
        data, record = file.read_bytes(), 8 + 4 * self._size
        if len(data) % record:
            file.write_bytes(data[: len(data) // record * record])
        for start in range(0, len(data) - record + 1, record):
            number = int(np.frombuffer(data, "<i8", 1, start)[0])
            self._kept[number] = np.frombuffer(data, "<f4", self._size, start + 8)
