"""The command line: parse, call, print. Commands live in one module each and import their work when called.

Start-up must stay cheap: at module level a command module imports only typer and the standard library.
"""

from __future__ import annotations

import codecs
import contextlib
import importlib
import io
import os
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Annotated

import typer

COMMANDS = (
    "even",
    "turned",
    "demo",
    "synth",
    "pair",
    "ring",
    "room",
    "kit",
    "stand",
    "log",
    "listen",
    "serve",
    "lesson",
)
"""Modules of drumtune.cli, each with a ``register(app)`` that adds its command. Order is that of --help."""

STOPPED = 130
"""Status the parser gives when Ctrl-C was pressed."""
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""What tells numpy's linear algebra how many threads to use; the first is heeded by all."""


def build() -> typer.Typer:
    """Build the application with every command registered."""
    app = typer.Typer(
        help="Hears taps near the tension rods of a drum and says which rods to turn, and by how much.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
    )
    app.callback()(_root)
    for name in COMMANDS:
        importlib.import_module(f"drumtune.cli.{name}").register(app)
    return app


def _tell_version(asked: bool) -> None:
    """Print the version and leave, if asked to."""
    from drumtune import __version__

    if asked:
        typer.echo(f"drumtune {__version__}")
        raise typer.Exit


def _root(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_tell_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Hears taps near the tension rods of a drum and says which rods to turn, and by how much."""


def main() -> None:
    """Run the command line; every expected failure is one line on stderr and exit status 2."""
    _one_thread()
    _printable()
    try:
        with _ended_in_order():
            status = build()(standalone_mode=False)
            sys.stdout.flush()
    except KeyboardInterrupt:
        status = STOPPED
    except SystemExit:  # of the parser, when what it prints to has gone away
        _fail("what was printed was not taken to its end")
    except Exception as failure:
        _fail(_words(failure))
    if status == STOPPED:
        _fail("stopped")
    sys.exit(status if isinstance(status, int) else 0)


@contextlib.contextmanager
def _ended_in_order() -> Iterator[None]:
    """Treat the system's requests to end, and a terminal that is closed, as Ctrl-C: what is half written is removed."""
    before = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL and _first_thread():
            before[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _first_thread() -> bool:
    """Whether this thread may say what signals do."""
    return threading.current_thread() is threading.main_thread()


def _words(failure: Exception) -> str:
    """What to tell of a failure; one that is nobody's but the program's own is raised again."""
    from drumtune.errors import DrumtuneError

    if isinstance(failure, DrumtuneError):
        return str(failure)
    if isinstance(failure, MemoryError):
        return "this takes more memory than there is: give less at once"
    if isinstance(failure, OSError):
        _let_go()
        where = "" if failure.filename is None else f"{failure.filename}: "
        return f"{where}{failure.strerror or failure}: nothing more was done"
    if hasattr(failure, "format_message"):  # the parser's usage errors know how to say themselves
        from drumtune.cli import parsing

        return parsing.words(failure, sys.argv[1:])
    raise failure


def _printable() -> None:
    """Have letters that stdout's encoding or a file's name does not bear written as the escapes of JSON."""
    codecs.register_error("drumtune", _escaped)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="drumtune")


def _escaped(failure: UnicodeError) -> tuple[str, int]:
    """Letters that cannot be encoded, as escapes, and the place to go on from."""
    if not isinstance(failure, UnicodeEncodeError):
        raise failure
    units = failure.object[failure.start : failure.end].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[i]:02x}{units[i + 1]:02x}" for i in range(0, len(units), 2)), failure.end


def _let_go() -> None:
    """Print to nowhere from now on, so that leaving does not fail again at what could not be printed."""
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
        return
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _one_thread() -> None:
    """Have linear algebra done in one thread unless the player says otherwise; to be called before numpy is loaded.

    The matrices are small: more threads only wait for each other, and cost twice the CPU time.
    """
    if not any(name in os.environ for name in THREADS):
        os.environ[THREADS[0]] = "1"


def _fail(message: str) -> None:
    """Leave with status 2 and one line on stderr; without one where help was printed because no command was named."""
    if message.strip():
        sys.stderr.write("drumtune: " + " ".join(message.split()) + "\n")
    sys.exit(2)
