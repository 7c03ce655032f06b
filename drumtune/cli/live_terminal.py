"""The terminal's side of `drumtune listen`: the screen, the keys, and the loop that joins microphone and round.

The head is read in a process of its own, so that level, keys and taps go on meanwhile.
"""

from __future__ import annotations

import json
import select
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from drumtune import live
from drumtune.advice import round as rounds
from drumtune.advice.turns import words
from drumtune.cli.live_letters import large
from drumtune.errors import DrumtuneError
from drumtune.session import Session, Take

if TYPE_CHECKING:
    from rich.console import Group

    from drumtune.cli.live_job import Answer

Read = Callable[[Take, tuple[float, ...] | None], "Answer"]

KEYS: dict[str, Callable[[], rounds.Event]] = {
    "r": rounds.Again, "b": rounds.Back, "s": rounds.Skip, "x": rounds.Extra, "e": rounds.Enough, "n": rounds.Next,
    "a": rounds.Restart,
}  # fmt: skip
KEY_WORDS = (
    "r repeat  b back  s later  x last tap not here  e read now  a anew  space tick the next move, 1-9 any  "
    "n next round  q stop"
)
TRIES, WAIT = 60, 1.0
"""Times a microphone that went away is tried again, and seconds between."""
EVERY = 0.1
"""Seconds between two drawings of the screen."""
WIDEST = 76
"""Columns the large letters may take."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was asked for: the drum's name and rods, where its round is kept, taps per rod, one reading only, JSON."""

    drum: str
    rods: int
    folder: Path | None
    per_rod: int
    once: bool = False
    json: bool = False


class Table:
    """The round at the terminal: what is shown, what a key does, and the reading under way.

    Parameters
    ----------
    told
        What was asked for.
    read
        Reads a take, somewhere where that may take its time.
    aside
        Where `read` is called.
    """

    def __init__(self, told: Told, read: Read, aside: Executor) -> None:
        self.told = told
        self.session = Session(told.rods, told.per_rod, told.folder)
        self.said = ""
        self.answer: Answer | None = None
        self._read, self._aside = read, aside
        self._coming: Future[Answer] | None = None
        self._of: tuple[rounds.Stroke, ...] = ()

    def tell(self, said: tuple[rounds.Message, ...]) -> None:
        """Remember what was said last."""
        if said:
            self.said = " ".join(message.text for message in said)

    def key(self, key: str) -> bool:
        """Do what a key means; False to stop."""
        if key == "q":
            return False
        try:
            if key in KEYS:
                self.tell(self.session.do(KEYS[key]()))
            elif key.isdigit() and self.session.state.phase == "moves":
                self.tell(self.session.do(rounds.Tick(int(key))))
            elif key == " " and (move := self.session.state.open_move) is not None:
                self.tell(self.session.do(rounds.Tick(move.order)))
        except ValueError as failure:
            self.said = str(failure)
        return True

    def go_on(self) -> bool:
        """Begin the reading when all taps are in, and take it when it is there; whether it was taken just now.

        Raises
        ------
        DrumtuneError
            If there is none, where only one was asked for.
        """
        if self._coming is None and self.session.wants_reading:
            self.session.asked()
            self._begin()
        if self._coming is None or not self._coming.done():
            return False
        coming, self._coming = self._coming, None
        if self.session.state.strokes != self._of:  # the player went on tapping
            if coming.exception() is None:
                self.session.dropped()
            return False
        try:
            self.answer = coming.result()
        except DrumtuneError as failure:
            self.tell(self.session.failed(str(failure)))
            if self.told.once:
                raise
            return False
        self.tell(self.session.found(self.answer.verdict, self.answer.moves))
        return True

    def _begin(self) -> None:
        """Begin the reading, if the taps stand up to being looked at together."""
        self.tell(self.session.look_over())
        if self.session.state.phase != "reading":
            return
        self._of = self.session.state.strokes
        try:
            self._coming = self._aside.submit(self._read, self.session.take(), self.session.state.turned)
        except DrumtuneError as failure:
            self.tell(self.session.failed(str(failure)))

    def screen(self, width: int = WIDEST) -> Group:
        """What is shown now, the large letters in no more than `width` columns."""
        from rich.console import Group
        from rich.panel import Panel
        from rich.text import Text

        state = self.session.state
        head, under = headline(state)
        dots = "●" * (state.per_rod - state.left) + "○" * state.left if state.due else under
        big = Text.assemble((large(head, width), "bold"), "\n\n", dots)
        level = min(round(self.session.level * 40), 40)
        word = "too loud" if self.session.level > live.LOUD else ""
        body = [strip(state, self.answer, self.session.heard())]
        body += [Text(f"level |{'#' * level:<40}| {word}"), Text(self.said)]
        moves = [
            Text(f" [{'x' if move.order in state.ticked else ' '}] {move.order}. {words(move)}") for move in state.moves
        ]
        return Group(Panel(big, title=self.told.drum), *body, *moves, Text(KEY_WORDS, style="dim"))


def headline(state: rounds.Round) -> tuple[str, str]:
    """The one instruction, and what stands under it."""
    if state.phase == "tapping":
        return f"ROD {state.due}", ""
    if state.phase == "reading":
        return ("?", "no reading: r repeats the last rod, a begins anew") if state.trouble else ("READ", "")
    rest = state.open_move
    if rest is not None:
        return f"ROD {rest.rod}", words(rest)
    return "DONE", "n begins the next round"


def strip(state: rounds.Round, answer: Answer | None, heard: tuple[tuple[float, float] | None, ...] = ()) -> Any:  # noqa: ANN401  # rich is loaded late
    """The rim strip in text: taps and what is heard as rods come in, then the pull at each rod; moves are words."""
    from rich.text import Text

    rods = range(1, state.rods + 1)
    rows = ["rod   " + "".join(f"{'>' if rod == state.due else ' '}{rod:>4} " for rod in rods)]
    if state.phase == "moves" and answer is not None:
        pulls = [row["pull_cents"] for row in answer.document["rods"]]
        moves = {move.rod: move.action for move in state.moves}
        rows.append("cents " + "".join(f"{pull:>+5.0f} " for pull in pulls))
        rows.append("      " + "".join(f"{moves.get(rod, ''):>5} " for rod in rods))
    else:
        rows.append("taps  " + "".join(f"{len(state.taps(rod)):>3}/{state.per_rod} " for rod in rods))
        if any(heard):
            rows.append("Hz    " + "".join(f"{'' if line is None else f'{line[0]:.0f}':>5} " for line in heard))
    return Text("\n".join(rows))


@contextmanager
def keyboard() -> Iterator[Callable[[], str]]:
    """Single keys from the terminal, if there is one: a function that gives the key pressed since, or nothing."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    import os
    import termios
    import tty

    place = sys.stdin.fileno()
    before = termios.tcgetattr(place)
    tty.setcbreak(place)
    try:  # read past Python's own buffer, which would hide a second key from select
        yield lambda: os.read(place, 1).decode("ascii", "ignore") if select.select([place], [], [], 0.0)[0] else ""
    finally:
        termios.tcsetattr(place, termios.TCSADRAIN, before)


@dataclass(slots=True)
class Show:
    """Where the table is shown: a screen that is drawn anew, lines on stdout, or nowhere."""

    table: Table
    screen: Any
    pressed: Callable[[], str]
    drawn: float = 0.0

    def update(self) -> None:
        """Draw the screen anew, if that was not done just now."""
        if self.screen is not None and time.monotonic() - self.drawn >= EVERY:
            self.drawn = time.monotonic()
            self.screen.update(self.table.screen(min(WIDEST, self.screen.console.width - 4)))

    def say(self, said: tuple[rounds.Message, ...]) -> None:
        """Print what was said, where there is no screen and no JSON is wanted."""
        if self.screen is None and not self.table.told.json:
            for message in said:
                typer.echo(message.text)


def run(told: Told, read: Read, device: str | None, channel: int) -> None:
    """Listen until the player stops.

    Raises
    ------
    DrumtuneError
        If there is no such microphone, or it stays away.
    """
    from rich.live import Live

    chosen = live.chosen(device)
    quiet = told.json or not sys.stdout.isatty()
    with ThreadPoolExecutor(1) as aside, keyboard() as pressed:
        table = Table(told, read, aside)
        with nullcontext() if quiet else Live(table.screen(), refresh_per_second=8) as screen:
            _listen(Show(table, screen, pressed), chosen, channel)
        table.session.stop()
    _close(table)


def _listen(show: Show, device: live.Device, channel: int) -> None:
    """Listen, and try again whenever the microphone went away."""
    tries, session = 0, show.table.session
    while True:
        begun = session.time
        try:
            if _heard(show, device, channel):
                return
        except live.DeviceError as failure:
            tries = tries + 1 if session.time == begun else 1
            if tries > TRIES or (tries == 1 and session.time == begun):
                raise
            show.table.said = str(failure)
            show.say((rounds.Message("wrong", str(failure)),) if tries == 1 else ())
            show.table.tell(session.stop())
            if not _waited(show):
                return
            device = live.again(device)


def _waited(show: Show) -> bool:
    """Wait a while for the microphone, keys answered; False to stop."""
    for _ in range(round(WAIT / live.PATIENCE)):
        if not show.table.key(show.pressed()):
            return False
        if show.table.go_on() and show.table.told.once:
            return False
        show.update()
        time.sleep(live.PATIENCE)
    return True


def _heard(show: Show, device: live.Device, channel: int) -> bool:
    """Listen with one microphone until the player stops; True then."""
    table = show.table
    with live.Microphone(device, time.monotonic, channel=channel) as microphone:
        table.tell(table.session.listen(microphone.sample_rate))
        for block in microphone.blocks():
            if block is not None:
                said = table.session.feed(block.samples, block.lost)
                table.tell(said)
                show.say(said)
            if not table.key(show.pressed()):
                return True
            if table.go_on() and table.told.once:
                return True
            show.update()
    return True


def _close(table: Table) -> None:
    """Print what was read last."""
    if table.answer is None:
        return
    told = table.told
    typer.echo(json.dumps(table.answer.document, indent=2, allow_nan=False) if told.json else table.answer.text)
