"""What notes one drum of a kit can take, and how it is then set: tension, pitch at the rods, feel, film stress.

A drum's note is its lower (0,1) line with both heads free (`drumtune.physics.two_heads`); the pitch at the rods is the
(1,1) line near a rod with the other head muted, what a player taps. The bottom head follows the top at a fixed
offset of its rods' pitch. SI units. docs/physics.md, "Kit".
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.advice import pair, pair_aims
from drumtune.advice.cautions import FILM_SHARE, ROD_FORCE
from drumtune.drum import PET_DENSITY, Air, Drum, Head
from drumtune.errors import StandError
from drumtune.physics import feel, film, held_head, two_heads
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads
from drumtune.stand import Role, Stand

Array = NDArray[np.float64]

SLACK_STRESS = 1.5e6
"""Film stress (Pa) under which a head is called slack: it no longer lies flat (our own rough figure, no source)."""
AIMS: dict[Role, str] = {"tom": "long", "snare": "short", "bass": "short"}
"""What the bottom head is set for where the player has not said (toms ring, snare and bass are short: common
practice, no source)."""
OFFSETS: dict[Role, tuple[int, int]] = {"tom": (1, 7), "snare": (2, 7), "bass": (-3, 5)}
"""Offsets (semitones, from and to) looked through then: a tom's bottom and the snare side stand somewhat above the top
(common practice, no source)."""
_GRID = 40


@dataclass(frozen=True, slots=True)
class Limits:
    """Lowest and highest top tension (N/m) that suits both heads, and in words what lies beyond each."""

    low: float
    high: float
    under: str
    over: str


@dataclass(frozen=True, slots=True)
class Setting:
    """A drum on a note: Hz, N/m, Pa, N/m of deflection, s; what belongs to the bottom head is None without one.

    `stress` is None where only the film's weight is known.
    """

    note: float
    top_tension: float
    rod: float
    stiffness: float
    stress: float | None
    decay: float
    bottom_tension: float | None
    bottom_rod: float | None


@dataclass(frozen=True, slots=True)
class Voice:
    """A drum and its reachable notes.

    Parameters
    ----------
    stand, shell
        As described, and as the physics takes it.
    offset
        Semitones from the top's pitch at the rods up to the bottom's; 0 without a bottom head.
    limits
        Range of top tension.
    tensions, notes
        Shape (G,), top tension (N/m) and note (Hz), both rising, from limit to limit.
    """

    stand: Stand
    shell: TwoHeads
    offset: float
    limits: Limits
    tensions: Array
    notes: Array

    @property
    def lowest(self) -> float:
        """Lowest note, Hz."""
        return float(self.notes[0])

    @property
    def highest(self) -> float:
        """Highest note, Hz."""
        return float(self.notes[-1])

    def tension(self, note: ArrayLike) -> Array:
        """Top tension (N/m) for notes in Hz, log-log between the grid's points; held at the limits beyond them."""
        log = np.interp(np.log(np.asarray(note, float)), np.log(self.notes), np.log(self.tensions))
        return np.asarray(np.exp(log), dtype=np.float64)

    def stiffness(self, note: ArrayLike) -> Array:
        """Stiffness under the stick (N/m) for notes in Hz."""
        return feel.stiffness(self.stand.drum.head, self.tension(note))

    def place(self, note: ArrayLike) -> Array:
        """Where notes (Hz) lie in the drum's range, by pitch: 0 lowest, 1 highest."""
        span = math.log(self.highest / self.lowest)
        return np.asarray(np.log(np.asarray(note, float) / self.lowest) / span)

    def bottom_tension(self, tension: ArrayLike) -> Array:
        """Tension of the bottom head (N/m) that goes with top tensions; as the top's without a bottom head."""
        return _bottom_tension(self.shell, tension, self.offset)

    def note_of(self, tension: ArrayLike, bottom: ArrayLike | None = None) -> Array:
        """Note (Hz) at top tensions, the bottom head at its offset or at tension `bottom`."""
        below = self.bottom_tension(tension) if bottom is None else bottom
        return two_heads.pair(self.shell, tension, below).frequency[..., 0]

    def setting(self, note: float) -> Setting:
        """How the drum is set on a note in Hz."""
        tension = float(self.tension(note))
        head = self.stand.drum.head
        below = float(self.bottom_tension(tension)) if self.shell.bottom else None
        rod = float(held_head.held_frequency(self.shell, tension, 1, TOP))
        pressed = float(film.stress(tension, head.thickness)) if head.thickness else None
        decay = float(two_heads.pair(self.shell, tension, below or tension).decay_time[0])
        bottom_rod = rod * 2.0 ** (self.offset / 12.0) if self.shell.bottom else None
        return Setting(note, tension, rod, float(feel.stiffness(head, tension)), pressed, decay, below, bottom_rod)

    def present(self) -> tuple[float, float, float | None] | None:
        """Note (Hz), top and bottom tension (N/m) the drum has now; None where the stand does not tell."""
        if self.stand.top_rod is None:
            return None
        top = float(held_head.held_tension(self.shell, self.stand.top_rod, 1, TOP))
        below = float(self.bottom_tension(top)) if self.shell.bottom else None
        if self.shell.bottom and self.stand.bottom_rod is not None:
            below = float(held_head.held_tension(self.shell, self.stand.bottom_rod, 1, BOTTOM))
        return float(self.note_of(top, below or top)), top, below


def voice(stand: Stand, air: Air | None = None) -> Voice:
    """Work out a drum's range; its offset is the stand's, or that of now, or the best for its role's aim.

    Raises
    ------
    StandError
        If no tension suits both heads at the offset, or a present pitch is none the head can have.
    """
    shell = TwoHeads(stand.drum.head, stand.bottom, stand.depth, air or Air())
    _check_present(stand, shell)
    offset = _offset(stand, shell)
    limits = _limits(stand, shell, offset)
    if not limits.low < limits.high:
        raise StandError(
            f"{stand.name}: with the bottom head {offset:+.1f} semitones from the top no tension suits both heads: "
            "change offset_semitones or a film"
        )
    tensions = np.geomspace(limits.low, limits.high, _GRID)
    notes = two_heads.pair(shell, tensions, _bottom_tension(shell, tensions, offset)).frequency[:, 0]
    return Voice(stand, shell, offset, limits, tensions, np.maximum.accumulate(notes))


def _check_present(stand: Stand, shell: TwoHeads) -> None:
    """Refuse present pitches that no tension gives, or that a film could not bear."""
    for which, head, pitch in ((TOP, shell.top, stand.top_rod), (BOTTOM, shell.bottom, stand.bottom_rod)):
        if head is None or pitch is None:
            continue
        tension = float(held_head.held_tension(shell, pitch, 1, which))
        thickness = head.thickness or head.surface_density / PET_DENSITY
        if not 0.0 < tension < film.STRENGTH * thickness:
            name = "top" if which == TOP else "bottom"
            raise StandError(
                f"{stand.name}: its {name} head cannot sound {pitch:.4g} Hz near a rod: check rod_hz and film"
            )


def _bottom_tension(shell: TwoHeads, tension: ArrayLike, offset: float) -> Array:
    if shell.bottom is None:
        return np.asarray(tension, float)
    rod = held_head.held_frequency(shell, tension, 1, TOP) * 2.0 ** (offset / 12.0)
    return held_head.held_tension(shell, rod, 1, BOTTOM)


def _offset(stand: Stand, shell: TwoHeads) -> float:
    """Semitones from top to bottom; see `voice`."""
    if shell.bottom is None:
        return 0.0
    if stand.offset is not None:
        return stand.offset
    if stand.top_rod is not None and stand.bottom_rod is not None:
        return pair.semitones_between(stand.bottom_rod, stand.top_rod)
    middle = math.sqrt(_slack(stand.drum.head) * _most(stand.drum))
    middle = float(held_head.held_frequency(shell, middle, 1, TOP))
    first, last = OFFSETS[stand.role]
    try:
        tuning = pair.tune(shell, middle)
        found, equal = pair.scan(tuning, np.arange(first, last + 1.0)), pair.scan(tuning, [0.0])
        return pair_aims.rank(found, pair_aims.parse_aim(AIMS[stand.role]), equal)[0].semitones
    except StandError as cause:
        raise StandError(f"{stand.name}: {cause}") from cause


def _slack(head: Head) -> float:
    """Tension (N/m) under which a head is slack."""
    return SLACK_STRESS * (head.thickness or head.surface_density / PET_DENSITY)


def _most(drum: Drum) -> float:
    """Tension (N/m) at which film or rods come near their limits."""
    thickness = drum.head.thickness or drum.head.surface_density / PET_DENSITY
    rods = ROD_FORCE * drum.rods / (2.0 * math.pi * drum.head.radius)
    return min(FILM_SHARE * film.STRESS_AT_5_PERCENT * thickness, rods)


def _limits(stand: Stand, shell: TwoHeads, offset: float) -> Limits:
    low, under = _slack(stand.drum.head), "its top head goes slack"
    high, over = _most(stand.drum), _beyond(stand.drum, "top")
    if shell.bottom is None:
        return Limits(low, high, under, over)
    to_top = _to_top(shell, offset)
    other, below = to_top(_slack(shell.bottom)), stand.drum.with_head(shell.bottom)
    if other > low:
        low, under = other, "its bottom head goes slack"
    other = to_top(_most(below))
    return Limits(low, *((other, under, _beyond(below, "bottom")) if other < high else (high, under, over)))


def _to_top(shell: TwoHeads, offset: float) -> Callable[[float], float]:
    """Top tension that goes with a bottom tension at an offset; infinite where none is enough, for the air between."""

    def tension(bottom: float) -> float:
        rod = held_head.held_frequency(shell, bottom, 1, BOTTOM) * 2.0 ** (-offset / 12.0)
        return float(held_head.held_tension(shell, rod, 1, TOP)) or math.inf

    return tension


def _beyond(drum: Drum, which: str) -> str:
    """What gives out first when a head is raised, in words."""
    thickness = drum.head.thickness or drum.head.surface_density / PET_DENSITY
    if _most(drum) < FILM_SHARE * film.STRESS_AT_5_PERCENT * thickness:
        return f"a rod of its {which} head bears over {ROD_FORCE:.0f} N"
    return f"its {which} film passes {100 * FILM_SHARE:.0f} % of its safe stress"
