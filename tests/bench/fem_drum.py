"""A drum for the benchmark takes: an uneven head by finite elements, its air, damping, finger and second head.

Shares no code with the package. Heads are solved on the unit disc (tests/physics/fem_membrane.py) for wanted pulls and
brought to size by the frequency of their lowest mode. Angles in radians clockwise from rod 1, SI units.

What is physics here: the stress and the modes, the added mass of the air as an operator, the loss of every mode as the
mean of its even-head parts' losses, a finger as a damper at a point, two heads as coupled oscillators. What is drawn:
decay times, and a few parts in a thousand of every frequency, as real heads have.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.special import jn_zeros, jv

sys.path.insert(0, str(Path(__file__).parents[1] / "physics"))

import fem_membrane as fem

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Rim = fem.Rim

REFINEMENTS = 5
"""128 edges round the rim: the forty lowest frequencies of an even head are good to 1e-4."""
MODES = 48
HIGHEST_ZERO = 17.0
"""Families whose Bessel zero is below this carry the air and the losses."""
AIR_DENSITY = 1.204
SOUND_SPEED = 343.2
PET_DENSITY = 1390.0
MIL = 25.4e-6
LN_MILLION = 6.9078
"""Natural logarithm of 1000: decay rate times T60."""
TYPICAL_T60 = {
    (0, 1): 0.33, (1, 1): 0.72, (2, 1): 0.88, (0, 2): 0.17, (3, 1): 0.66,
    (1, 2): 0.50, (4, 1): 0.58, (2, 2): 0.48, (0, 3): 0.16, (5, 1): 0.52,
}  # fmt: skip
"""Seconds, read off the takes in tests/data/taps."""


def mesh() -> fem.Disc:
    """The disc all heads are solved on."""
    return fem.disc(REFINEMENTS)


@dataclass(frozen=True, slots=True)
class Film:
    """Radius in m and surface density in kg/m2."""

    radius: float
    surface_density: float

    @classmethod
    def of_mil(cls, radius: float, mil: float) -> Film:
        return cls(radius, PET_DENSITY * mil * MIL)


@dataclass(frozen=True, slots=True)
class Pulls:
    """Cents at the rods, and how the rim holds the film along itself (spring: stiffness in units of the film's)."""

    cents: Floats
    rim: Rim = "held"
    spring: float = 0.0


@dataclass(frozen=True, slots=True)
class Sounding:
    """Modes as they sound: frequency in Hz, decay rate in 1/s (M,), shapes (size, M), shares of the families (F, M)."""

    frequency: Floats
    decay: Floats
    shape: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Families:
    """Even-head modes below HIGHEST_ZERO on the mesh: one row per function."""

    m: NDArray[np.int64]
    n: NDArray[np.int64]
    zero: Floats
    part: NDArray[np.int64]
    shape: Floats

    def of(self, m: int) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = self.m == m
        return found


@cache
def families() -> Families:
    d = mesh()
    r, theta = np.minimum(np.hypot(d.x, d.y), 1.0), np.arctan2(d.y, d.x)
    rows, shapes = [], []
    for m in range(14):
        for n, zero in enumerate(jn_zeros(m, 6), start=1):
            for part in (0, 1) if m and zero < HIGHEST_ZERO else (0,) if zero < HIGHEST_ZERO else ():
                rows.append((m, n, zero, part))
                shape = jv(m, zero * r) * (np.sin(m * theta) if part else np.cos(m * theta))
                shapes.append(shape / np.sqrt(shape @ (d.mass @ shape)) * np.sign(jv(m + 1, zero)))
    orders, circles, zeros, parts = (np.array(column) for column in zip(*rows, strict=True))
    return Families(orders, circles, zeros, parts, np.array(shapes).T)


@cache
def air_matrix() -> Floats:
    """Added mass per side between all even-head functions, over rho a, (functions, functions).

    Baffled and incompressible: 2 j j' int_0^inf J_m(x)^2 / ((j^2 - x^2)(j'^2 - x^2)) dx between equal m, for shapes
    J_m(j r)/J_{m+1}(j).
    """
    f = families()
    step = 0.004
    x = np.arange(step / 2, 150.0, step)
    result = np.zeros((len(f.m), len(f.m)))
    for m in np.unique(f.m):
        for part in (0, 1):
            own = np.flatnonzero(f.of(m) & (f.part == part))
            zero = f.zero[own, None]
            transform = zero * jv(m, x) / (zero**2 - x**2)
            result[np.ix_(own, own)] = 2.0 * step * transform @ transform.T
    return result


def tensions(cents: Floats) -> Floats:
    """Relative tension at the rods, mean 1, from pulls in cents of pitch."""
    t = 2.0 ** (cents / 600.0)
    mean_one: Floats = t / t.mean()
    return mean_one


def film_displacement(pulls: Pulls) -> Floats:
    """In-plane displacement whose tension measured at the rods is `tensions(pulls.cents)`, less 1.

    A rim that slides freely carries no rod harmonic 1 (it is a shift of the film): friction has to, so that is held.
    """
    fields, measured = _patterns(len(pulls.cents), pulls.rim, pulls.spring)
    amounts, *_ = np.linalg.lstsq(measured, tensions(pulls.cents) - 1.0, rcond=None)
    result: Floats = fields @ amounts
    return result


@cache
def _patterns(rods: int, rim: Rim, spring: float) -> tuple[Floats, Floats]:
    """In-plane displacements of the rod harmonics, (points, N - 1), and their tensions at the rods, (N, N - 1)."""
    d = mesh()
    angles = 2.0 * np.pi * np.arange(rods) / rods
    patterns = [(k, g(k * angles)) for k in range(1, rods // 2 + 1) for g in (np.cos, np.sin)]
    patterns = [(k, p) for k, p in patterns if np.abs(p).max() > 1e-9]
    fields = [fem.rod_displacement(d, p, "held" if k == 1 and rim == "sliding" else rim, spring) for k, p in patterns]
    measured = np.array([d.rod_tensions(u, rods) for u in fields]).T
    return np.array(fields).T, measured - measured.mean(0)


def head(
    rng: np.random.Generator, film: Film, pulls: Pulls, lowest: float, sides: float, *, of_even: bool = False
) -> Sounding:
    """Solve a head and bring its lowest mode to `lowest` Hz; the air loads `sides` (1...2) of its faces.

    With `of_even`, `lowest` is that of the even head of the same mean tension, which this one need not share.
    """
    d = mesh()
    dry, shape = d.modes(d.stress(film_displacement(pulls)), MODES)
    f = families()
    inside = f.shape.T @ (d.mass @ shape)
    mass = np.eye(MODES) + sides * AIR_DENSITY * film.radius / film.surface_density * inside.T @ air_matrix() @ inside
    squares, mixing = eigh(np.diag(dry**2), mass)
    shape = shape @ mixing
    share = (f.shape.T @ (d.mass @ shape)) ** 2
    share /= share.sum(0)
    relative = np.sqrt(squares) * (1.0 + _family_draw(rng, 0.003, first=0.04) @ share)
    relative *= 1.0 + 2e-4 * rng.standard_normal(MODES)
    decay = (LN_MILLION / _decay_times(rng)) @ share * (1.0 + 0.08 * rng.standard_normal(MODES))
    order = np.argsort(relative)
    lowest *= dry.min() / float(jn_zeros(0, 1)[0]) if of_even else 1.0
    return Sounding(relative[order] * lowest / relative.min(), decay[order], shape[:, order], share[:, order])


def _family_draw(rng: np.random.Generator, spread: float, first: float) -> Floats:
    """One normal draw per family, the same for both parts of a pair; (0,1) has a spread of its own."""
    f = families()
    drawn = {key: spread * rng.standard_normal() for key in dict.fromkeys(zip(f.m.tolist(), f.n.tolist(), strict=True))}
    drawn[0, 1] *= first / spread
    return np.array([drawn[m, n] for m, n in zip(f.m.tolist(), f.n.tolist(), strict=True)])


def _decay_times(rng: np.random.Generator) -> Floats:
    f = families()
    typical = [TYPICAL_T60.get((int(m), int(n)), 0.42 if m else 0.16) for m, n in zip(f.m, f.n, strict=True)]
    drawn: Floats = np.array(typical) * np.exp(_family_draw(rng, 0.18, first=0.18) + 0.1 * rng.standard_normal())
    return drawn


def with_finger(rng: np.random.Generator, head: Sounding) -> Sounding:
    """A finger on (nearly) the centre: a damper, and a little stiffness, at one point."""
    at = rng.normal(0.0, 0.03, 2)
    value, _, _ = mesh().probe(np.hypot(*at), np.arctan2(at[1], at[0]))
    touched = (value @ head.shape)[0] ** 2
    touched /= touched[0]
    extra = LN_MILLION / rng.uniform(0.06, 0.13) - head.decay[0]
    return replace(
        head, decay=head.decay + extra * touched, frequency=head.frequency * (1.0 + rng.uniform(0.0, 0.02) * touched)
    )


@dataclass(frozen=True, slots=True)
class Pair:
    """Normal modes of two coupled heads: frequencies, decay rates, and the part of each head in them (M, modes)."""

    frequency: Floats
    decay: Floats
    struck: Floats
    other: Floats


def coupled(rng: np.random.Generator, struck: Sounding, other: Sounding) -> Pair:
    """Couple two heads through the air between them: strongly in (0,1), little in (1,1), hardly beyond."""
    d = mesh()
    f = families()
    strength = np.where(f.m == 0, 0.1, 0.004)
    strength[f.of(1)] = rng.uniform(0.015, 0.05)
    strength[f.of(2)] = rng.uniform(0.004, 0.02)
    strength[(f.m == 0) & (f.n == 1)] = rng.uniform(0.3, 0.5)
    left, right = (f.shape.T @ (d.mass @ h.shape) for h in (struck, other))
    wa, wb = 2.0 * np.pi * struck.frequency, 2.0 * np.pi * other.frequency
    link = -(left.T * strength) @ right * np.outer(wa, wb)
    squares, mixing = np.linalg.eigh(np.block([[np.diag(wa**2), link], [link.T, np.diag(wb**2)]]))
    if squares[0] <= 0.0:
        raise ArithmeticError("two heads coupled more strongly than they are stiff")
    decay = np.r_[struck.decay, other.decay] @ mixing**2
    return Pair(np.sqrt(squares) / (2.0 * np.pi), decay, mixing[:MODES], mixing[MODES:])


def pressure_gains(head: Sounding, radius: float, microphone: Floats, distance: float) -> Complexes:
    """Pressure at (x, y, z) in m per modal amplitude: Rayleigh's integral, less the delay of `distance`."""
    d = mesh()
    ways = np.sqrt((d.x * radius - microphone[0]) ** 2 + (d.y * radius - microphone[1]) ** 2 + microphone[2] ** 2)
    k = 2.0 * np.pi * head.frequency / SOUND_SPEED
    kernel = np.exp(-1j * k * (ways[:, None] - distance)) / ways[:, None]
    gains: Complexes = (kernel * (d.mass @ head.shape)).sum(0) * (2.0 * np.pi * head.frequency) ** 2
    return gains
