"""What is typed after `drumtune room`, as values: sizes, places, notes, walls."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.physics.room import Place

SMALLEST, LARGEST = 1.0, 100.0
"""Sizes of a room in m that are taken for one."""
MOST_CUBIC = 20_000.0
"""Largest volume, m3: a large hall; above it rooms have no single modes a drum could meet."""


def parse_size(text: str | None) -> tuple[float, float, float]:
    """Length, width and height in m from a text such as 6x4.5x2.8.

    Raises
    ------
    DrumtuneError
        If it is not three sizes a room can have.
    """
    from drumtune.errors import DrumtuneError

    if text is None:
        raise DrumtuneError("give the room's size: --size-m length x width x height, such as 6x4.5x2.8")
    try:
        values = tuple(float(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError:
        values = ()
    if len(values) != 3:
        raise DrumtuneError(f"a room's size is length x width x height in m, such as 6x4.5x2.8; got {text!r:.40}")
    for name, value in zip(("length", "width", "height"), values, strict=True):
        if not SMALLEST <= value <= LARGEST:
            raise DrumtuneError(
                f"a room is {SMALLEST:g} to {LARGEST:g} m each way, got a {name} of {value:g} m: check --size-m"
            )
    if values[0] * values[1] * values[2] > MOST_CUBIC:
        raise DrumtuneError(f"a room of over {MOST_CUBIC:g} m3 has no single modes a drum could meet: check --size-m")
    return values[0], values[1], values[2]


def place(text: str | None, option: str, size: Sequence[float]) -> Place | None:
    """Place in m from a text such as 1.2,0.9,0.6; None when not given.

    Raises
    ------
    DrumtuneError
        If it is not three numbers, or outside the room.
    """
    from drumtune.errors import DrumtuneError

    if text is None:
        return None
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise DrumtuneError(f"a place is x,y,z in m, such as 1.2,0.9,0.6; got {text!r:.40}: check {option}") from None
    for name, value, side in zip("xyz", (x, y, z), size, strict=True):
        if not 0.0 <= value <= side:
            raise DrumtuneError(f"{option} {text} lies outside the room: {name} is 0 to {side:g} m, got {value:g} m")
    return x, y, z


def both(where: tuple[Place | None, Place | None]) -> None:
    """Refuse one place without the other, or two places in one.

    Raises
    ------
    DrumtuneError
        Saying which is missing.
    """
    import math

    from drumtune.errors import DrumtuneError

    if (where[0] is None) != (where[1] is None):
        raise DrumtuneError("give both --drum-at and --mic-at, or neither for the mean over all places")
    if where[0] and where[1] and math.dist(where[0], where[1]) < 0.05:
        raise DrumtuneError("drum and microphone are at one place: they must be 5 cm apart at least")


def note_names(text: str | None) -> tuple[str, ...]:
    """Notes from a text such as A2,D3.

    Raises
    ------
    DrumtuneError
        If one is no note, or there are more than 50.
    """
    from drumtune.errors import DrumtuneError
    from drumtune.notes import note_frequency

    names = tuple(part.strip() for part in text.split(",")) if text else ()
    if len(names) > 50:
        raise DrumtuneError(f"at most 50 notes are worked out at once, got {len(names)}: check --notes")
    for name in names:
        try:
            frequency = note_frequency(name)
        except ValueError as cause:
            raise DrumtuneError(f"{cause}: check --notes") from None
        if not 20.0 <= frequency <= 1000.0:
            raise DrumtuneError(f"drums sound notes of 20 to 1000 Hz, {name} is {frequency:.4g} Hz: check --notes")
    return names


def walls(text: str) -> tuple[float, ...]:
    """Absorption of six walls from a text of one number or six.

    Raises
    ------
    DrumtuneError
        If they are not so many numbers between 0 and 1.
    """
    from drumtune.errors import DrumtuneError

    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) not in (1, 6) or not all(0.0 < value < 1.0 for value in values):
        raise DrumtuneError(
            "absorption is one number between 0 and 1, or six (walls at x = 0, x = L, y = 0, y = W, floor, ceiling); "
            f"got {text!r:.60}: check --absorption"
        )
    return values if len(values) == 6 else values * 6
