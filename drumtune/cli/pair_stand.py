"""Doors of `drumtune pair`: the drum and the pitches as typed, checked once and turned into SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.drum import Head
    from drumtune.physics.two_heads import TwoHeads, Vent
    from drumtune.stand import Stand

HEADS = ("top", "bottom")
FILMS_MIL = (10.0, 7.5)
"""Films of top and bottom head where neither film nor weight is told (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Shell:
    """The drum as typed: diameter and depth (in), films (mil) and weights (kg/m2) of top and bottom head, vent (mm)."""

    diameter_in: float | None
    depth_in: float | None
    films_mil: tuple[float | None, float | None] = (None, None)
    weights: tuple[float | None, float | None] = (None, None)
    vent_mm: float | None = None

    @property
    def sizes(self) -> dict[str, float | None]:
        """What a drum of the log has told already, by its options; None where not given."""
        films = {f"--{name}-film-mil": mil for name, mil in zip(HEADS, self.films_mil, strict=True)}
        weights = {f"--{name}-surface-density-kg-m2": one for name, one in zip(HEADS, self.weights, strict=True)}
        return {"--diameter-in": self.diameter_in, "--depth-in": self.depth_in, **films, **weights}


@dataclass(frozen=True, slots=True)
class TwoMass:
    """The two-mass pair: blocked frequencies, coupling, lower and upper (Hz), the top head's share in each."""

    top: float
    bottom: float
    coupling: float
    low: float
    high: float
    top_share: tuple[float, float]


def within(name: str, value: float | None, low: float, high: float, what: str) -> float:
    """Return an option's value if it is given and lies within its limits.

    Raises
    ------
    StandError
        If it is missing, not a number, or outside.
    """
    from drumtune.errors import StandError

    if value is None:
        raise StandError(f"{name} is missing: give it, {low:g} to {high:g} {what}")
    if not (math.isfinite(value) and low <= value <= high):
        raise StandError(f"{name} must be {low:g} to {high:g} {what}, got {value:g}")
    return value


def heard_at(pitch: str) -> int:
    """Nodal diameters of the mode that is heard where the player taps: 1 near a rod, 0 at the centre.

    Raises
    ------
    StandError
        If it is neither place.
    """
    from drumtune.errors import StandError

    if pitch not in ("rod", "centre"):
        raise StandError(f"pitches are heard near a rod or at the centre, got {pitch!r}: --pitch is rod or centre")
    return 1 if pitch == "rod" else 0


def described(shell: Shell) -> TwoHeads:
    """Return the drum that the options describe.

    Raises
    ------
    StandError
        If no drum is so built.
    """
    from drumtune.drum import INCH
    from drumtune.physics.two_heads import TwoHeads

    radius = 0.5 * INCH * within("--diameter-in", shell.diameter_in, 5.0, 40.0, "inches")
    depth = INCH * within("--depth-in", shell.depth_in, 1.0, 40.0, "inches")
    top, bottom = (_head(radius, shell, i) for i in range(2))
    return TwoHeads(top, bottom, depth, vent=_vent(shell.vent_mm))


def kept(stand: Stand, vent_mm: float | None = None) -> TwoHeads:
    """Return the drum that a stand of the log describes, its heads with all that is known of their films.

    Raises
    ------
    StandError
        If its shell is open below.
    """
    from drumtune.errors import StandError
    from drumtune.physics.two_heads import TwoHeads

    if stand.bottom is None:
        raise StandError(
            f"{stand.name!r} is open below, and this needs two heads: give it a bottom one "
            "(drumtune stand new --replace)"
        )
    return TwoHeads(stand.drum.head, stand.bottom, stand.depth, vent=_vent(vent_mm))


def _vent(diameter_mm: float | None) -> Vent | None:
    from drumtune.physics.two_heads import Vent

    return None if diameter_mm is None else Vent(within("--vent-mm", diameter_mm, 1.0, 100.0, "mm") / 1000.0)


def _head(radius: float, shell: Shell, i: int) -> Head:
    """A head of film, weight or both; the usual film where neither is told."""
    from drumtune.drum import MIL, Head

    weight, mil = shell.weights[i], shell.films_mil[i]
    if weight is None and mil is None:
        mil = FILMS_MIL[i]
    film = 0.0 if mil is None else within(f"--{HEADS[i]}-film-mil", mil, 0.8, 30.0, "mil")
    if weight is None:
        return Head.of_film(radius, film)
    return Head(radius, within(f"--{HEADS[i]}-surface-density-kg-m2", weight, 0.02, 3.0, "kg/m2"), film * MIL)


def check_two_mass(plot: Path | None, folder: Path | None) -> None:
    """Refuse pictures and sounds of two blocked frequencies, which describe no drum."""
    from drumtune.errors import StandError

    if plot is not None or folder is not None:
        raise StandError(
            "--plot, --report and --render need a drum, not blocked frequencies: give diameter, depth and --top-hz"
        )


def two_mass(top: float | None, bottom: float | None, coupling: float | None) -> TwoMass:
    """Pair of blocked frequencies and a coupling.

    Raises
    ------
    StandError
        If one is missing or no springs could be so stiff.
    """
    from drumtune.errors import StandError
    from drumtune.physics.cavity import two_mass_pair, two_mass_shares

    a = within("--top-blocked-hz", top, 1.0, 5000.0, "Hz")
    b = within("--bottom-blocked-hz", bottom, 1.0, 5000.0, "Hz")
    k = within("--coupling-hz", coupling, 0.0, 5000.0, "Hz")
    if k >= math.sqrt(a * b):
        raise StandError(
            f"--coupling-hz must stay below the geometric mean of the blocked frequencies, {math.sqrt(a * b):.4g} Hz, "
            f"got {k:g}"
        )
    low, high = (float(f) for f in two_mass_pair(a, b, k))
    first, second = (float(s) for s in two_mass_shares(a, b, k))
    return TwoMass(a, b, k, low, high, (first, second))
