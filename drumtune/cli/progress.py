"""A progress bar on stderr: on a terminal only, and only for work that takes over a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

PATIENCE = 1.0
"""Seconds before the bar shows."""
Report = Callable[[float], None]


@contextmanager
def bar(what: str, *, clock: Callable[[], float] = time.monotonic) -> Iterator[Report | None]:
    """Give a function to call with the share done, 0...1; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    shown: list[Progress] = []
    start = clock()

    def report(share: float) -> None:
        if not shown and clock() - start > PATIENCE:
            shown.append(_started(what))
        if shown:
            shown[0].update(shown[0].task_ids[0], completed=share)

    try:
        yield report
    finally:
        for progress in shown:
            progress.stop()


def _started(what: str) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    progress = Progress(
        TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), console=Console(stderr=True), transient=True
    )
    progress.add_task(what, total=1.0)
    progress.start()
    return progress
