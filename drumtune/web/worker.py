"""Work in processes of their own, with a limit on time and memory: readings, and files that strangers made.

The processes stay warm between jobs. One that takes too long is ended and replaced; the page goes on.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from drumtune.errors import DrumtuneError

T = TypeVar("T")

MEMORY = 4 << 30
"""Address space of a worker, bytes (much of it is only reserved)."""
FEWEST, MOST = 2, 4
"""Workers of a pool: as many as there are cores, but so many that a long job does not hold up everything."""


def _serve(pipe: Connection, warm: tuple[str, ...]) -> None:
    """Do jobs until the pipe closes."""
    import importlib
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    except (ImportError, ValueError, OSError):  # a system without such limits
        pass
    for name in warm:
        importlib.import_module(name)
    while True:
        try:
            do, words = pipe.recv()
            pipe.send(_done(do, words))
        except (EOFError, BrokenPipeError):  # the server has stopped
            return


def _done(do: Callable[..., Any], words: tuple[Any, ...]) -> tuple[bool, Any]:
    """Whether a job went well, and its result or what to say."""
    try:
        return True, do(*words)
    except DrumtuneError as failure:
        return False, str(failure)
    except MemoryError:
        return False, "that takes more memory than is allowed: give a shorter recording"
    except Exception as failure:  # a fault of the program must not end the server
        return False, f"this went wrong inside ({type(failure).__name__}): please report it"


def _cores() -> int:
    """Cores this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Worker:
    """One process that does one job at a time.

    Parameters
    ----------
    warm
        Modules it loads before its first job.
    """

    def __init__(self, warm: tuple[str, ...] = ()) -> None:
        self._warm = warm
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None

    def start(self) -> None:
        """Start the process if it does not run."""
        if self._process is not None and self._process.is_alive():
            return
        self.stop()
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        spawn = multiprocessing.get_context("spawn")
        self._pipe, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_serve, args=(theirs, self._warm), daemon=True)
        self._process.start()
        theirs.close()

    def do(self, seconds: float, do: Callable[..., T], *words: object) -> T:
        """Do a job; its result.

        Parameters
        ----------
        seconds
            Time it may take. A process that takes longer is ended.
        do, words
            A function of a module, and its arguments.

        Raises
        ------
        DrumtuneError
            If it fails, or takes too long.
        """
        self.start()
        assert self._pipe is not None
        try:
            self._pipe.send((do, words))
            if not self._pipe.poll(seconds):
                self.stop()
                raise DrumtuneError("that took too long and was given up: record a shorter take, or try once more")
            well, result = self._pipe.recv()
        except (EOFError, OSError) as cause:
            self.stop()
            raise DrumtuneError("the work was stopped half way: try once more") from cause
        if not well:
            raise DrumtuneError(result)
        return result  # type: ignore[no-any-return]

    def stop(self) -> None:
        """End the process."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
        if self._pipe is not None:
            self._pipe.close()
        self._process = self._pipe = None


class Pool:
    """Some workers; a job goes to the first that is free.

    Parameters
    ----------
    warm
        Modules each worker loads before its first job.
    size
        How many; by the cores of the machine when None.
    clock
        Seconds that only grow.
    """

    def __init__(
        self, warm: tuple[str, ...] = (), size: int | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        size = size or min(max(_cores(), FEWEST), MOST)
        self._all = [Worker(warm) for _ in range(size)]
        self._free = list(self._all)
        self._change = threading.Condition()
        self._clock = clock

    @property
    def size(self) -> int:
        """Number of workers."""
        return len(self._all)

    def start(self) -> None:
        """Start every process."""
        for worker in self._all:
            worker.start()

    def call(self, seconds: float, do: Callable[..., T], *words: object) -> T:
        """Do a job in the first worker that is free; its result. May be called from several threads at once.

        Parameters
        ----------
        seconds
            Time it may take, the wait for a free worker counted in.
        do, words
            A function of a module, and its arguments.

        Raises
        ------
        DrumtuneError
            If it fails, or is not done in time.
        """
        end = self._clock() + seconds
        worker = self._taken(end)
        try:
            return worker.do(max(end - self._clock(), 0.0), do, *words)
        finally:
            self._given_back(worker)

    def everywhere(self, seconds: float, do: Callable[..., object], *words: object) -> None:
        """Have every worker that is free do a job, one after the other; what comes of it is not told."""
        for worker in self._all:
            with self._change:
                if worker not in self._free:
                    continue
                self._free.remove(worker)
            try:
                with suppress(DrumtuneError):
                    worker.do(seconds, do, *words)
            finally:
                self._given_back(worker)

    def _taken(self, end: float) -> Worker:
        """A free worker, by a time at the latest."""
        with self._change:
            while not self._free:
                left = end - self._clock()
                if left <= 0.0 or not self._change.wait(left):
                    raise DrumtuneError("the machine is busy with other readings: try once more in a moment")
            return self._free.pop()

    def _given_back(self, worker: Worker) -> None:
        with self._change:
            self._free.append(worker)
            self._change.notify()

    def stop(self) -> None:
        """End every process."""
        for worker in self._all:
            worker.stop()
