"""Intervals a kit can be asked for: what step each drum may make over the next lower one.

Steps are whole semitones, drums counted from the lowest up. A wish may be met in several ways (a triad from its root,
its third or its fifth; a scale from any of its degrees): each is a `Pattern`, and the search tries them all.
"""

from __future__ import annotations

from dataclasses import dataclass

from drumtune.errors import DrumtuneError
from drumtune.notes import interval_name

EQUAL = {"thirds": (3, 4), "minor-thirds": (3,), "major-thirds": (4,), "fourths": (5,), "fifths": (7,)}
"""Wishes for the same kind of step everywhere; thirds may be minor or major, drum by drum."""
CYCLES = {
    "triad": (4, 3, 5),
    "minor-triad": (3, 4, 5),
    "scale": (2, 2, 1, 2, 2, 2, 1),
    "minor-scale": (2, 1, 2, 2, 1, 2, 2),
}
"""Wishes that go round: chord tones 1-3-5-8, and the major and natural minor scale."""
CLOSE = "close"
"""Equal steps of whatever size suits the drums, as near as it goes."""
CLOSE_STEPS = range(2, 10)
WISHES = (*EQUAL, *CYCLES, CLOSE)


@dataclass(frozen=True, slots=True)
class Pattern:
    """One way to meet a wish: its name in words and, for each gap between neighbours, the steps allowed (semitones)."""

    name: str
    steps: tuple[tuple[int, ...], ...]


def patterns(wish: str, gaps: int) -> tuple[Pattern, ...]:
    """Ways to meet a wish with `gaps` gaps between drums.

    Parameters
    ----------
    wish
        One of `WISHES`, or the steps themselves from the lowest drum up: "5,4".
    gaps
        Number of drums less one; 0 gives one pattern without steps.

    Raises
    ------
    DrumtuneError
        If the wish is none of these, or names another number of steps than there are gaps.
    """
    name = wish.strip().lower()
    if name in EQUAL:
        return (Pattern(name, (EQUAL[name],) * gaps),)
    if name in CYCLES:
        return _turned(name, gaps)
    if name == CLOSE:
        return tuple(
            Pattern(f"steps of a {interval_name(step)}", ((step,),) * gaps)
            for step in CLOSE_STEPS[: None if gaps else 1]
        )
    return (_explicit(wish, gaps),)


def _turned(name: str, gaps: int) -> tuple[Pattern, ...]:
    """Every starting point of a cycle, equal ones once."""
    cycle = CYCLES[name]
    found: dict[tuple[tuple[int, ...], ...], Pattern] = {}
    for start in range(len(cycle)):
        steps = tuple((cycle[(start + gap) % len(cycle)],) for gap in range(gaps))
        words = (
            f"{name} from its {('root', 'third', 'fifth')[start]}" if len(cycle) == 3 else f"{name} from {start + 1}"
        )
        found.setdefault(steps, Pattern(words, steps))
    return tuple(found.values())


def _explicit(wish: str, gaps: int) -> Pattern:
    try:
        steps = [int(part) for part in wish.split(",")]
    except ValueError:
        raise DrumtuneError(
            f"intervals are {', '.join(WISHES)}, or steps in semitones such as 5,4; got {wish!r:.40}: check --intervals"
        ) from None
    if len(steps) != gaps:
        raise DrumtuneError(f"{gaps + 1} toms have {gaps} steps between them, got {len(steps)}: check --intervals")
    if not all(1 <= step <= 24 for step in steps):
        raise DrumtuneError(f"a step is 1 to 24 semitones up, got {wish!r:.40}: check --intervals")
    return Pattern("steps of " + ", ".join(interval_name(step) for step in steps), tuple((step,) for step in steps))
