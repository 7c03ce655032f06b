"""The in-plane stress of a film on an uneven rim, in equilibrium.

Unit disc, mean tension 1, so every stress here is a share of the mean tension. A rim load of harmonic k has the Airy
stress function (A r^k + B r^(k+2)) cos k theta; how the rim holds the film along itself sets A against B:

- held (slide = 0): no tangential displacement at the rim;
- sliding (slide = 1): no shear at the rim (no friction).

In between the two fields are mixed. k = 1 has only the B field, which needs rim shear: a rim that slides cannot carry
one-sided tension. The hoop is pulled at the rods only; between them it bends as a beam loaded at points, so a rod
harmonic k also carries the rim harmonics l N -+ k with weight (k/k')^4.

Rod tension is the mean of the radial stress over `RIM_BAND` in radius and a quarter of the rod spacing to each side.
docs/physics.md, "Uneven head". Angles in radians clockwise from rod 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import PET_POISSON

Kind = Literal["cos", "sin"]
RIM_BAND = (0.86, 1.0)
"""Radii between which the tension at a rod is measured, as shares of the head's radius."""
ALIASES = 2
"""Multiples of the rod count whose side harmonics the hoop's bending between rods is followed to."""


@dataclass(frozen=True, slots=True)
class RimTerm:
    """One rim harmonic of a field: order k, kind, and the Airy coefficients A and B."""

    k: int
    kind: Kind
    a: float
    b: float


def harmonics(rods: int) -> tuple[tuple[int, Kind], ...]:
    """Rod harmonics that `rods` rods can tell apart, shape (rods - 1,): (1, cos), (1, sin), (2, cos)...

    For an even number the highest has only a cosine.
    """
    found: list[tuple[int, Kind]] = []
    for k in range(1, rods // 2 + 1):
        found.append((k, "cos"))
        if 2 * k != rods:
            found.append((k, "sin"))
    return tuple(found)


def rod_patterns(rods: int) -> NDArray[np.float64]:
    """Values of the rod harmonics at the rods, shape (rods, rods - 1): relative tension per unit coefficient."""
    angles = 2.0 * math.pi * np.arange(rods) / rods
    columns = [np.cos(k * angles) if kind == "cos" else np.sin(k * angles) for k, kind in harmonics(rods)]
    return np.stack(columns, axis=1)


def airy_held(k: int, poisson: float = PET_POISSON) -> tuple[float, float]:
    """Airy coefficients (A, B), times Young's modulus, of unit outward rim displacement cos k theta, held on the rim.

    For k = 1 the translation of the whole film, which carries no stress, is left out of A.
    """
    if k == 1:
        return 0.0, 1.0 / (6.0 - 2.0 * poisson)
    return _unit_displacement(k, (k + 4) + poisson * k, -k * (1.0 + poisson), poisson)


def airy_sliding(k: int, poisson: float = PET_POISSON) -> tuple[float, float]:
    """Airy coefficients (A, B), times Young's modulus, of unit outward rim displacement with no rim shear, k >= 2.

    Raises
    ------
    ValueError
        For k = 1: a rim that slides carries no one-sided tension.
    """
    if k < 2:
        raise ValueError("a sliding rim carries no harmonic 1")
    return _unit_displacement(k, k + 1.0, -(k - 1.0), poisson)


def _unit_displacement(k: int, a: float, b: float, poisson: float) -> tuple[float, float]:
    rim = -a * k * (1.0 + poisson) + b * ((2 - k) - poisson * (k + 2))
    return a / rim, b / rim


def stress(term: RimTerm, r: ArrayLike, theta: ArrayLike) -> tuple[NDArray[np.float64], ...]:
    """Stresses (radial, circumferential, shear) of one rim harmonic at polar points (broadcast).

    For kind cos the normal stresses go as cos k theta and the shear as sin k theta; for kind sin everything is
    turned by a quarter of a period.
    """
    r, theta = np.broadcast_arrays(np.asarray(r, float), np.asarray(theta, float))
    k, a, b = term.k, term.a, term.b
    inner = np.zeros_like(r) if a == 0.0 else a * r ** (k - 2)
    outer = b * r**k
    even, odd = np.cos(k * theta), np.sin(k * theta)
    if term.kind == "sin":
        even, odd = odd, -even
    radial = (inner * (k - k**2) + outer * (k + 2 - k**2)) * even
    hoop = (inner * k * (k - 1) + outer * (k + 2) * (k + 1)) * even
    shear = k * (inner * (k - 1) + outer * (k + 1)) * odd
    return radial, hoop, shear


def rod_field(k: int, kind: Kind, rods: int, slide: float) -> tuple[RimTerm, ...]:
    """Rim terms of the field whose measured rod tension is the rod harmonic (k, kind) with amplitude 1.

    Parameters
    ----------
    k, kind
        The rod harmonic, one of `harmonics`.
    rods
        Number of rods.
    slide
        0 held ... 1 sliding along the rim. Harmonic 1 of the rim itself is always the held field.

    Raises
    ------
    ValueError
        If `slide` is not in 0...1.
    """
    if not 0.0 <= slide <= 1.0:
        raise ValueError(f"slide lies in 0...1, got {slide}")
    terms = [_mixed(order, kind, slide, weight) for order, weight in _hoop_shape(k, kind, rods).items()]
    total = sum(_measured(term, rods) * _at_rods(term.k, k, kind, rods) for term in terms)
    return tuple(RimTerm(t.k, t.kind, t.a / total, t.b / total) for t in terms)


def _hoop_shape(k: int, kind: Kind, rods: int) -> dict[int, float]:
    """Rim harmonics and displacement weights of a hoop bent at the rods by (k, kind): beam under point loads."""
    weights = {k: 1.0}
    for multiple in range(1, ALIASES + 1):
        for order in (multiple * rods - k, multiple * rods + k):
            weights.setdefault(order, (k / order) ** 4 * _at_rods(order, k, kind, rods))
    return weights


def _at_rods(order: int, k: int, kind: Kind, rods: int) -> float:
    """+1 where a rim harmonic looks at the rods like (k, kind), -1 where like its negative."""
    return 1.0 if kind == "cos" or (order - k) % rods == 0 else -1.0


def _mixed(k: int, kind: Kind, slide: float, weight: float) -> RimTerm:
    """One rim harmonic of displacement `weight`, held and sliding fields mixed."""
    held = np.array(airy_held(k))
    sliding = held if k == 1 else np.array(airy_sliding(k))
    a, b = weight * ((1.0 - slide) * held + slide * sliding)
    return RimTerm(k, kind, float(a), float(b))


def _measured(term: RimTerm, rods: int) -> float:
    """Mean radial stress amplitude over `RIM_BAND` by area and a quarter rod spacing either side of its crest."""
    low, high = RIM_BAND
    k = term.k
    area = (high**2 - low**2) / 2.0
    inner = term.a * (k - k**2) * (high**k - low**k) / k
    outer = term.b * (k + 2 - k**2) * (high ** (k + 2) - low ** (k + 2)) / (k + 2)
    half = math.pi * k / (2.0 * rods)
    return (inner + outer) / area * math.sin(half) / half


def rod_tensions(coefficients: ArrayLike, rods: int) -> NDArray[np.float64]:
    """Relative tension at each rod, shape (rods,), mean 1, of harmonic coefficients of shape (rods - 1,)."""
    return np.asarray(1.0 + rod_patterns(rods) @ np.asarray(coefficients, float), dtype=np.float64)
