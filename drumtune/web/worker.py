"""Work in a process of its own, with a limit on time and memory: readings, and files that strangers made.

The process stays warm between jobs. One that takes too long is ended and replaced; the page goes on.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from drumtune.errors import DrumtuneError

T = TypeVar("T")

MEMORY = 4 << 30
"""Address space of a worker, bytes (much of it is only reserved)."""


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


class Worker:
    """One process that does one job at a time.

    Parameters
    ----------
    warm
        Modules it loads before its first job.
    """

    def __init__(self, warm: tuple[str, ...] = ()) -> None:
        self._warm = warm
        self._lock = threading.Lock()
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None

    def start(self) -> None:
        """Start the process if it does not run."""
        if self._process is not None and self._process.is_alive():
            return
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        spawn = multiprocessing.get_context("spawn")
        self._pipe, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_serve, args=(theirs, self._warm), daemon=True)
        self._process.start()
        theirs.close()

    def call(self, timeout: float, do: Callable[..., T], *words: object) -> T:
        """Do a job; its result.

        Parameters
        ----------
        timeout
            Seconds it may take.
        do, words
            A function of a module, and its arguments.

        Raises
        ------
        DrumtuneError
            If it fails, or takes too long.
        """
        with self._lock:
            self.start()
            assert self._pipe is not None
            try:
                self._pipe.send((do, words))
                if not self._pipe.poll(timeout):
                    self.stop()
                    raise DrumtuneError(
                        f"that took longer than {timeout:.0f} s and was given up: record a shorter take"
                    )
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
