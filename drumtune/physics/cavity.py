"""Air enclosed between two heads: the spring it is to them, and the mass it is to them.

SI units. Heads are numbered 0 (top) and 1 (bottom); both displacements count positive downward, so equal signs mean
the heads move in parallel. docs/physics.md, "Two heads". The shell and whatever closes it are rigid; losses in the
enclosed air are left out (see `drumtune.physics.radiation` for what is lost).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import jn_zeros, jnp_zeros, jv

from drumtune.drum import Air, Head

RADIAL = 6
"""Nodal circles per head in the basis of `drumtune.physics.two_heads`."""
_AIR_RADIAL = 12
_AIR_AXIAL = 4
_AIR_RESOLVED = 3


def two_mass_pair(top: ArrayLike, bottom: ArrayLike, coupling: ArrayLike) -> NDArray[np.float64]:
    """Frequencies of the coupled (0,1) pair from those of each head with the other held still, all Hz and broadcast.

    Eigenvalues of [[fA^2, -k^2], [-k^2, fB^2]] (docs/physics.md, "Two heads"; two-mass model of Rossing, Bork, Zhao
    and Fystrom, JASA 92(1), 1992).

    Returns
    -------
    Shape (..., 2): lower, upper.

    Raises
    ------
    ValueError
        If a frequency is not positive or the coupling is negative or not below the geometric mean of the two, which
        no springs can do.
    """
    a, b, k = (np.asarray(x, float) for x in (top, bottom, coupling))
    if not (np.all(a > 0) and np.all(b > 0) and np.all(k >= 0)):
        raise ValueError("blocked frequencies must be positive and the coupling not negative")
    if np.any(k**4 >= a**2 * b**2):
        raise ValueError("the coupling must stay below the geometric mean of the two blocked frequencies")
    mean, half = (a**2 + b**2) / 2.0, np.hypot((a**2 - b**2) / 2.0, k**2)
    return np.asarray(np.sqrt(np.stack([mean - half, mean + half], axis=-1)))


def two_mass_shares(top: ArrayLike, bottom: ArrayLike, coupling: ArrayLike) -> NDArray[np.float64]:
    """Top head's share of the motion's energy in the lower and the upper mode, shape (..., 2), 0...1."""
    a, b, k = (np.asarray(x, float) for x in (top, bottom, coupling))
    lean = (b**2 - a**2) / 2.0
    reach = np.hypot(lean, k**2)
    tilt = np.divide(lean, reach, out=np.zeros(np.broadcast(lean, reach).shape), where=reach > 0)
    return np.stack([(1.0 + tilt) / 2.0, (1.0 - tilt) / 2.0], axis=-1)


def two_mass_coupling(top: ArrayLike, bottom: ArrayLike, low: ArrayLike, high: ArrayLike) -> NDArray[np.float64]:
    """Coupling in Hz that takes the blocked frequencies to the pair: k^4 = fA^2 fB^2 - f1^2 f2^2; 0 where negative."""
    a, b, f1, f2 = (np.asarray(x, float) for x in (top, bottom, low, high))
    return np.asarray(np.maximum(a**2 * b**2 - f1**2 * f2**2, 0.0) ** 0.25)


def lumped_spring(head: Head, depth: float, air: Air) -> float:
    """What the enclosed air adds to the square of a head's (0,1) frequency when the other head is still, Hz^2.

    x = K A^2 / (4 pi^2 M) with K = rho c^2/V, swept area A = 2 pi a^2 J1(j)/j and modal mass M = pi a^2 J1(j)^2 sigma.
    The coupling of two heads is (x y)^(1/4). Does not contain the mass of any air.
    """
    zero = float(jn_zeros(0, 1)[0])
    return air.density * air.sound_speed**2 / (depth * head.surface_density * (np.pi * zero) ** 2)


def rigid_cavity_pair(
    heads: tuple[Head, Head], tensions: tuple[float, float], depth: float, air: Air
) -> tuple[float, float]:
    """Lower and upper (0,1) frequency (Hz) of two films on an airtight shell in which pressure is the same everywhere.

    Roots of 1 + sum_i B_i J2(x_i) / (x_i^2 J0(x_i)) = 0, x_i = omega a sqrt(sigma_i/T_i), B_i = rho c^2 a^2/(T_i L):
    the closed-volume equation of the kettledrum (Raichel, The Science and Applications of Acoustics, ch. 6) with a
    second film on the same volume. Does not contain the mass of any air.

    Raises
    ------
    ValueError
        If the radii differ or a tension or the depth is not positive.
    """
    if heads[0].radius != heads[1].radius or min(*tensions, depth) <= 0.0:
        raise ValueError("both heads need one radius, and tensions and depth must be positive")
    a = heads[0].radius
    slow = np.array([a * np.sqrt(h.surface_density / t) for h, t in zip(heads, tensions, strict=True)])
    stiff = np.array([air.density * air.sound_speed**2 * a**2 / (t * depth) for t in tensions])

    def mismatch(omega: float) -> float:
        x = omega * slow
        return float(1.0 + np.sum(stiff * jv(2, x) / (x**2 * jv(0, x))))

    poles = np.sort((jn_zeros(0, 3)[:, None] / slow).ravel())[:3]
    low, high = (_between(mismatch, poles[i], poles[i + 1]) / (2.0 * np.pi) for i in (0, 1))
    return low, high


def _between(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the root between two poles of a function that rises from -inf to inf, or the pole itself if they touch."""
    gap = high - low
    if gap < 1e-9 * high:
        return float(low)
    return float(brentq(function, low + 1e-11 * gap, high - 1e-11 * gap, xtol=1e-12 * high))


@dataclass(frozen=True, slots=True)
class EnclosedAir:
    """Matrices of the enclosed air for one order m, per unit area, over [top n=1.., bottom n=1.., cavity modes].

    `mass` and `spring` have shape (S, S) with S = 2 RADIAL + number of cavity modes kept as unknowns of their own; they
    are symmetric, and the mass with the films on it is positive definite, so nothing is gained or lost.
    """

    mass: NDArray[np.float64]
    spring: NDArray[np.float64]


def enclosed_air(m: int, radius: float, depth: float, air: Air) -> EnclosedAir:
    """Air of order m in a rigid cylinder between two heads, as mass and spring to the heads' Bessel modes.

    Everything the air does well below its own resonances stands in closed form: the plane part is the spring
    rho c^2/L and the mass rho L (1/3, 1/6), every radial order q the mass rho a/mu (coth, -csch)(mu L/a), mu_q zeros of
    J_m'. The lowest resonances of the cylinder are added as unknowns, which makes the result exact in frequency as
    their number grows. Source: modal expansion in a rigid cylinder (Morse and Ingard, Theoretical Acoustics, 1968,
    sec. 9.2, from memory); derivation in docs/physics.md, "Two heads".
    """
    unit = _unit_air(m, radius, depth)
    return EnclosedAir(air.density * unit.mass, air.density * air.sound_speed**2 * unit.spring)


@lru_cache(maxsize=64)
def _unit_air(m: int, radius: float, depth: float) -> EnclosedAir:
    """`enclosed_air` for a density and a sound speed of 1: masses go as rho, springs as rho c^2."""
    grid = _radial_zeros(m)
    overlap = _overlap(m)
    size = 2 * RADIAL
    mass, spring = np.zeros((size, size)), np.zeros((size, size))
    for mu, c in zip(grid, overlap.T, strict=True):
        own, across = _column(mu * depth / radius, depth)
        mass += np.kron([[own, across], [across, own]], np.outer(c, c))
        if mu == 0.0:
            spring += np.kron([[1.0, -1.0], [-1.0, 1.0]], np.outer(c, c)) / depth
    return _with_resonances(mass, spring, _resonances(m, radius, depth))


def _column(height: float, depth: float) -> tuple[float, float]:
    """Length of air carried by a head's own motion and by the other's, for one radial order of height mu L/a."""
    if height == 0.0:
        return depth / 3.0, depth / 6.0
    scale = depth / height
    return scale / np.tanh(height), -scale / np.sinh(min(height, 300.0))


def _resonances(m: int, radius: float, depth: float) -> list[tuple[float, float, NDArray[np.float64]]]:
    """Low cavity modes: wavenumber^2, length of the column they fill, sources from both heads (2 RADIAL,)."""
    found = []
    for mu, c in list(zip(_radial_zeros(m), _overlap(m).T, strict=True))[:_AIR_RESOLVED]:
        for p in range(_AIR_AXIAL):
            if mu == 0.0 and p == 0:
                continue  # the uniform pressure is the spring, not a resonance
            wave2 = (mu / radius) ** 2 + (p * np.pi / depth) ** 2
            found.append((wave2, depth / (2.0 if p else 1.0), np.concatenate([-c, (-1.0) ** p * c])))
    return found


def _with_resonances(
    mass: NDArray[np.float64],
    spring: NDArray[np.float64],
    modes: list[tuple[float, float, NDArray[np.float64]]],
) -> EnclosedAir:
    size = len(mass)
    full_mass, full_spring = np.zeros((2, size + len(modes), size + len(modes)))
    full_mass[:size, :size], full_spring[:size, :size] = mass, spring
    for i, (wave2, length, source) in enumerate(modes, start=size):
        inertia = 1.0 / (length * wave2)
        full_mass[:size, i] = full_mass[i, :size] = inertia * source
        full_mass[i, i] = inertia
        full_spring[i, i] = inertia * wave2
    return EnclosedAir(full_mass, full_spring)


@cache
def _radial_zeros(m: int) -> NDArray[np.float64]:
    """Zeros of J_m' in rising order; the uniform 0 comes first for m = 0."""
    zeros = np.asarray(jnp_zeros(m, _AIR_RADIAL), float)
    return np.concatenate([[0.0], zeros]) if m == 0 else zeros


@cache
def _overlap(m: int) -> NDArray[np.float64]:
    """Overlap of head functions (n) with cavity functions (q), both of mean square 1 over the disc; (RADIAL, Q)."""
    j, mu = head_zeros(m)[:, None], _radial_zeros(m)
    norm = np.sqrt(1.0 - np.divide(m, mu, out=np.zeros_like(mu), where=mu > 0) ** 2)
    return np.asarray(2.0 * head_sign(m)[:, None] * j * np.sign(jv(m, mu)) / ((j**2 - mu**2) * norm))


@cache
def head_zeros(m: int) -> NDArray[np.float64]:
    """The first RADIAL zeros of J_m."""
    return np.asarray(jn_zeros(m, RADIAL), float)


@cache
def head_sign(m: int) -> NDArray[np.float64]:
    """Signs of J_(m+1) at the zeros of J_m, shape (RADIAL,)."""
    return np.asarray(np.sign(jv(m + 1, head_zeros(m))))


@cache
def outside_mass(m: int) -> NDArray[np.float64]:
    """Mass matrix of still air on one side of a baffled head, in units of rho a, shape (RADIAL, RADIAL).

    X_nk = 2 j_n j_k int_0^inf J_m(x)^2 / ((j_n^2 - x^2)(j_k^2 - x^2)) dx; its diagonal is chi_mn (docs/physics.md).
    """
    nodes, weights = np.polynomial.legendre.leggauss(24)
    edges = np.arange(0.0, 400.0, 1.0)
    x = (edges[:, None] + 0.5 * (nodes + 1.0)).ravel()
    w = np.tile(0.5 * weights, edges.size)
    side = head_spectrum(m, x)
    return np.asarray(2.0 * (side * w) @ side.T)


def head_spectrum(m: int, x: ArrayLike) -> NDArray[np.float64]:
    """Hankel transform int_0^1 psi_n(r) J_m(x r) r dr of the head functions, shape (RADIAL, *x.shape), x >= 0."""
    x = np.asarray(x, float)
    j = head_zeros(m).reshape(-1, *([1] * x.ndim))
    sign = head_sign(m).reshape(j.shape)
    gap = j**2 - x**2
    safe = np.where(np.abs(gap) < 1e-7, 1.0, gap)
    value = np.where(np.abs(gap) < 1e-7, np.abs(jv(m + 1, j)) * sign / (2.0 * j), jv(m, x) / safe)
    return np.asarray(sign * j * value)
