"""The command line: parse, call, print. Commands live in one module each and import their work when called.

Start-up must stay cheap: at module level a command module imports only typer and the standard library.
"""

from __future__ import annotations

import importlib
import os
import sys

import typer

COMMANDS = ("even", "demo", "synth", "pair", "ring", "room", "kit", "stand", "log", "listen", "serve", "lesson")
"""Modules of drumtune.cli, each with a ``register(app)`` that adds its command. Order is that of --help."""

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


def _root() -> None:
    """Hears taps near the tension rods of a drum and says which rods to turn, and by how much."""


def main() -> None:
    """Run the command line; every expected failure is one line on stderr and exit status 2."""
    from drumtune.errors import DrumtuneError

    _one_thread()
    try:
        status = build()(standalone_mode=False)
    except DrumtuneError as failure:
        _fail(str(failure))
    except KeyboardInterrupt:
        _fail("stopped")
    except Exception as failure:  # the parser's usage errors know how to say themselves; anything else is a bug
        if not hasattr(failure, "format_message"):
            raise
        _fail(failure.format_message())
    sys.exit(status if isinstance(status, int) else 0)


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
