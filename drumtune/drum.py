"""What a drum is: value objects for air, films, heads, shells and the stand.

SI units throughout (m, kg, s, Pa, K). Angles run clockwise seen from above, rod 1 at zero, in radians.
A description that no drum is built to raises StandError, in one line for the player.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.errors import StandError

INCH = 0.0254
"""Metres in an inch (exact)."""
MIL = 25.4e-6
"""Metres in a mil (exact)."""
PET_DENSITY = 1390.0
"""Density of polyester film, kg/m3 (maker's physical-properties bulletin for Mylar 92A)."""
PET_POISSON = 0.38
"""Poisson's ratio of polyester film (same bulletin)."""

HoopKind = Literal["flanged", "cast", "wood"]


@dataclass(frozen=True, slots=True)
class Air:
    """Air of density `density` (kg/m3) and sound speed `sound_speed` (m/s); the default is 20 °C at sea level."""

    density: float = 1.204
    sound_speed: float = 343.2

    @classmethod
    def at(cls, celsius: float, pressure: float = 101325.0) -> Air:
        """Air at a temperature in °C and a pressure in Pa (ISO 9613-1 for the speed, ideal dry gas for the density)."""
        kelvin = celsius + 273.15
        return cls(pressure / (287.05 * kelvin), 343.2 * math.sqrt(kelvin / 293.15))


@dataclass(frozen=True, slots=True)
class Head:
    """A drum head: radius a in m, surface density in kg/m2, film thickness in m (0 when only weighed)."""

    radius: float
    surface_density: float
    thickness: float = 0.0

    @classmethod
    def of_film(cls, radius: float, mil: float) -> Head:
        """A plain polyester head of `radius` in m and film thickness in mil (density times thickness)."""
        return cls(radius, PET_DENSITY * mil * MIL, mil * MIL)


@dataclass(frozen=True, slots=True)
class Drum:
    """The stand: one head as the player describes it, with its rods.

    Parameters
    ----------
    head
        The head being tapped.
    rods
        Number of tension rods, 4 to 16, equally spaced, counted clockwise from the marked one.
    hoop
        Kind of hoop.
    tap_distance
        How far in from the rim, at each rod, the player taps (m).
    """

    head: Head
    rods: int
    hoop: HoopKind = "flanged"
    tap_distance: float = 0.045

    def __post_init__(self) -> None:
        _check(self)

    @property
    def rod_angles(self) -> NDArray[np.float64]:
        """Angles of the rods, shape (rods,), radians clockwise from rod 1."""
        return 2.0 * math.pi * np.arange(self.rods) / self.rods

    @property
    def tap_radius(self) -> float:
        """Nominal tap radius as a share of the head's radius, 0...1."""
        return 1.0 - self.tap_distance / self.head.radius

    def with_head(self, head: Head) -> Drum:
        """Return the same drum with another head on it."""
        return replace(self, head=head)


def _check(drum: Drum) -> None:
    """Refuse what no drum is, naming the rule and the value met."""
    diameter_in = 2.0 * drum.head.radius / INCH
    if not 5.0 <= diameter_in <= 40.0:
        raise StandError(f"a head is 5 to 40 inches across, got {diameter_in:.4g} in: give --diameter-in in inches")
    if not 4 <= drum.rods <= 16:
        raise StandError(f"a head has 4 to 16 tension rods, got {drum.rods}: count them and give --rods")
    if not 0.02 <= drum.head.surface_density <= 3.0:
        if drum.head.thickness:
            raise StandError(_film_told(drum.head.thickness / MIL))
        raise StandError(
            f"a head weighs 0.02 to 3 kg/m2, got {drum.head.surface_density:.4g}: check --film-mil or "
            "--surface-density-kg-m2"
        )
    if not 0.01 <= drum.tap_distance <= 0.5 * drum.head.radius:
        raise StandError(
            f"taps go 10 mm to half a radius in from the rim, got {1000 * drum.tap_distance:.4g} mm: "
            "check --tap-distance-mm"
        )
    if drum.hoop not in ("flanged", "cast", "wood"):
        raise StandError(f"a hoop is flanged, cast or wood, got {drum.hoop!r}")


def _film_told(mil: float) -> str:
    """What is wrong with a film no head is made of, `mil` thick, and the slip of units that may be behind it.

    Examples
    --------
    >>> _film_told(0.25)
    'film 0.25 mil is too thin: is it in mm? 0.25 mm is 9.8 mil'
    """
    if mil < 1.0:
        slip = f"is it in mm? {mil:g} mm is {mil / (1000.0 * MIL):.2g} mil" if mil >= 0.02 else "check --film-mil"
        return f"film {mil:g} mil is too thin: {slip}"
    slip = (
        f"is it in micrometres? {mil:g} of them are {mil * 1e-6 / MIL:.2g} mil" if mil <= 500.0 else "check --film-mil"
    )
    return f"film {mil:g} mil is too thick: {slip}"
