"""The failures a player can meet, each one line that says what was wrong and what to do.

Misuse of a function by a programmer is a plain ValueError. Everything below is a DrumtuneError, which the
command line turns into one line on stderr and exit status 2 in one place (drumtune.cli.main).
"""

from __future__ import annotations


class DrumtuneError(Exception):
    """A failure to be told to the player in one line: what was wrong, and what to do about it."""


class AudioError(DrumtuneError):
    """A file that cannot be read as a recording, or that holds nothing to analyse."""


class StandError(DrumtuneError):
    """A drum described in a way no drum is built (size, rods, film, tap distance)."""


class TakeError(DrumtuneError):
    """A recording that does not allow an answer.

    Parameters
    ----------
    message
        One line: what was found, and what to do.
    reason
        A short word for programs, such as ``"count"``, ``"silence"``, ``"clipped"``.
    estimate
        The best estimate there is, or None. Its type is that of the result that could not be vouched for.
    """

    def __init__(self, message: str, *, reason: str, estimate: object = None) -> None:
        super().__init__(message)
        self.reason = reason
        self.estimate = estimate
