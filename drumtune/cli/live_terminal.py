"""The terminal's side of `drumtune listen`: the screen, the keys, and the loop that joins microphone and round."""

from __future__ import annotations

import json
import select
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from drumtune import live
from drumtune.advice import round as rounds
from drumtune.advice.turns import words
from drumtune.cli import live_job
from drumtune.errors import DrumtuneError
from drumtune.session import Session

if TYPE_CHECKING:
    from rich.console import Group

KEYS: dict[str, Callable[[], rounds.Event]] = {
    "r": rounds.Again, "b": rounds.Back, "s": rounds.Skip, "x": rounds.Extra, "e": rounds.Enough, "n": rounds.Next,
    "a": rounds.Restart,
}  # fmt: skip
TRIES, WAIT = 30, 1.0
"""Times a microphone that went away is tried again, and seconds between."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was asked for: log, drum, taps per rod, whether to stop after a reading, and whether to print JSON."""

    log: Path
    drum: str
    per_rod: int
    once: bool
    json: bool


class Table:
    """The round at the terminal: what is shown, and what a key does."""

    def __init__(self, told: Told) -> None:
        self.told = told
        self.session = Session(
            live_job.rods_of(told.log, told.drum), told.per_rod, live_job.folder_of(told.log, told.drum)
        )
        self.said = ""
        self.answer: live_job.Answer | None = None

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
        except ValueError as failure:
            self.said = str(failure)
        return True

    def read_if_due(self) -> bool:
        """Read the head when all taps are in; whether there is a reading now.

        Raises
        ------
        DrumtuneError
            If there is none, where only one was asked for.
        """
        if not self.session.wants_reading:
            return False
        self.session.asked()
        self.read()
        if self.told.once and self.session.state.trouble:
            raise DrumtuneError(self.session.state.trouble)
        return self.session.state.phase == "moves"

    def read(self) -> None:
        """Read the head, if the taps stand up to being looked at together."""
        counted = sum(1 for stroke in self.session.state.strokes if not stroke.fault)
        self.tell(self.session.look_again(counted))
        if self.session.state.phase != "reading":
            return
        state = self.session.state
        try:
            self.answer = live_job.read_take(self.told.log, self.told.drum, self.session.take(), state.turned)
        except DrumtuneError as failure:
            self.tell(self.session.failed(str(failure)))
        else:
            self.tell(self.session.found(self.answer.verdict, self.answer.moves))

    def screen(self) -> Group:
        """What is shown now."""
        from rich.console import Group
        from rich.panel import Panel
        from rich.text import Text

        state = self.session.state
        head = {"tapping": f"ROD {state.due}", "reading": "READING"}.get(state.phase, "TURN" if state.moves else "DONE")
        dots = "●" * (state.per_rod - state.left) + "○" * state.left if state.due else ""
        big = Text("  ".join(head), style="bold", justify="center")
        lines = [Panel(Text.assemble("\n", big, "\n\n", dots, "\n", justify="center"), title=self.told.drum)]
        level = min(round(self.session.level * 40), 40)
        word = "too loud" if self.session.level > 0.97 else ""
        body = [strip(state, self.answer), Text(f"level |{'#' * level:<40}| {word}"), Text(self.said)]
        moves = [
            Text(f" [{'x' if move.order in state.ticked else ' '}] {move.order}. {words(move)}") for move in state.moves
        ]
        return Group(*lines, *body, *moves, Text(EPILOG, style="dim"))


EPILOG = "r repeat  b back  s later  x last tap not here  e read now  1-9 tick a move  n next round  q stop"


def strip(state: rounds.Round, answer: live_job.Answer | None) -> Any:  # noqa: ANN401  # rich is loaded late
    """The rim strip in text: taps so far, or the pull at each rod; what to do is a letter and a word."""
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
    return Text("\n".join(rows))


@contextmanager
def keyboard() -> Iterator[Any]:
    """Single keys from the terminal, if there is one: a function that gives the keys pressed since."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    tty.setcbreak(sys.stdin.fileno())
    try:
        yield lambda: sys.stdin.read(1) if select.select([sys.stdin], [], [], 0.0)[0] else ""
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def run(told: Told, device: str | None, channel: int) -> None:
    """Listen until the player stops.

    Raises
    ------
    DrumtuneError
        If there is no such drum or microphone, or it stays away.
    """
    from rich.live import Live

    from drumtune.advice import evenness  # noqa: F401  # loaded before the first tap, not after the last

    table = Table(told)
    chosen = live.chosen(device)
    quiet = told.json or not sys.stdout.isatty()
    with keyboard() as pressed, nullcontext() if quiet else Live(table.screen(), refresh_per_second=8) as shown:
        for attempt in range(TRIES):
            try:
                if _heard(table, chosen, channel, pressed, shown):
                    break
            except live.DeviceError as failure:
                table.said = str(failure)
                table.tell(table.session.stop())
                if attempt == TRIES - 1 or (attempt == 0 and table.session.time == 0.0):
                    raise
                if shown is not None:
                    shown.update(table.screen())
                time.sleep(WAIT)
    table.session.stop()
    _close(table)


def _heard(table: Table, device: live.Device, channel: int, pressed: Any, shown: Any) -> bool:  # noqa: ANN401
    """Listen with one microphone until the player stops; True then."""
    with live.Microphone(device, time.monotonic, channel=channel) as microphone:
        table.tell(table.session.listen(microphone.sample_rate))
        for block in microphone.blocks():
            if block is not None:
                _hear(table, block, printing=shown is None and not table.told.json)
            if not table.key(pressed()):
                return True
            if table.read_if_due() and table.told.once:
                return True
            if shown is not None:
                shown.update(table.screen())
    return True


def _hear(table: Table, block: live.Block, *, printing: bool) -> None:
    """Take a block in."""
    said = table.session.feed(block.samples, block.lost)
    table.tell(said)
    for message in said if printing else ():
        typer.echo(message.text)


def _close(table: Table) -> None:
    """Print what was read last."""
    if table.answer is None:
        return
    told = table.told
    typer.echo(json.dumps(table.answer.document, indent=2, allow_nan=False) if told.json else table.answer.text)
