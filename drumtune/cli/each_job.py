"""Several takes of one drum, each read for itself, on all cores. Gives values; prints nothing.

A take that cannot be read becomes a `Failed` and does not stop the others. Each worker is a fresh process (``spawn``)
whose linear algebra has one thread, so that as many run as there are cores and no more.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drumtune.cli import THREADS, job
from drumtune.errors import DrumtuneError
from drumtune.files import shown

if TYPE_CHECKING:
    from drumtune.drum import Air, Drum


@dataclass(frozen=True, slots=True)
class Failed:
    """A take that gave no answer, and why, in one line."""

    path: Path
    failure: str


@dataclass(frozen=True, slots=True)
class Way:
    """How every one of the takes is to be read."""

    drum: Drum
    taps_per_rod: int | None = None
    channel: int | None = None
    air: Air | None = None


def do(
    takes: Sequence[Path],
    way: Way,
    *,
    workers: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[job.Job | Failed]:
    """Read every take; answers in the order of the takes.

    Parameters
    ----------
    takes
        Files, or folders of one file per rod; each is one take.
    way
        The drum and how its takes are read.
    workers
        Takes read at the same time; None for as many as there are cores.
    progress
        Called with the share done, 0...1.

    Raises
    ------
    StandError
        If the counts are none a round of taps has, before anything is read.
    """
    job.check_counts(way.drum.rods, way.taps_per_rod, way.channel)
    tell = progress or (lambda share: None)
    count = min(workers or cores(), len(takes))
    answers: dict[int, job.Job | Failed] = {}
    for place, answer in _in_turn(takes, way) if count < 2 else _at_once(takes, way, count):
        answers[place] = answer
        tell(len(answers) / len(takes))
    return [answers[place] for place in range(len(takes))]


def cores() -> int:
    """Cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # a system without such a notion
        return os.cpu_count() or 1


def read(path: Path, way: Way) -> job.Job | Failed:
    """Read one take."""
    try:
        return job.do([path], way.drum, taps_per_rod=way.taps_per_rod, channel=way.channel, air=way.air)
    except DrumtuneError as failure:
        return Failed(path, " ".join(str(failure).split()))


def _in_turn(takes: Sequence[Path], way: Way) -> Iterator[tuple[int, job.Job | Failed]]:
    """One after the other in this process."""
    for place, path in enumerate(takes):
        yield place, read(path, way)


def _at_once(takes: Sequence[Path], way: Way, count: int) -> Iterator[tuple[int, job.Job | Failed]]:
    """In `count` processes, as they are done."""
    import multiprocessing

    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=spawn, initializer=_alone) as pool:
        waiting = {pool.submit(read, path, way): place for place, path in enumerate(takes)}
        try:
            for done in as_completed(waiting):
                place = waiting[done]
                yield place, _answer(done, takes[place])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _answer(done: Future[job.Job | Failed], path: Path) -> job.Job | Failed:
    """What a worker found, or that it was ended from outside."""
    try:
        return done.result()
    except BrokenProcessPool:
        return Failed(
            path, f"{shown(path)}: a process was ended while takes were read, by the system or by hand: try again"
        )


def _alone() -> None:
    """Prepare a worker, before numpy is loaded there: one thread, and Ctrl-C is the parent's business."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.update(dict.fromkeys(THREADS, "1"))
