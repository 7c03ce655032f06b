"""Modes of an unevenly tensioned head: Galerkin in the Bessel modes of the even one.

Unit disc, unit surface density, mean tension 1. The basis functions are J_m(j_mn r) cos/sin m theta, normalised over
the disc, so an even head has the diagonal stiffness j_mn^2 and frequencies come as roots of eigenvalues in units of
sqrt(T/sigma)/a. docs/physics.md, "Uneven head". Accurate to 1e-4 in frequency for modes up to j = 9 and rim harmonics
of a tenth; checked against finite elements in tests/physics.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jn_zeros, jv, jvp

from drumtune.physics.stress import RimTerm

MAX_ORDER = 10
"""Highest number of nodal diameters in the basis."""
RADIAL = 4
"""Nodal circles per order in the basis."""
_QUADRATURE = 48


@dataclass(frozen=True, slots=True)
class Basis:
    """Even-head modes in a fixed order: m, n, kind (0 cos, 1 sin), zero j and normalisation, each shape (B,)."""

    m: NDArray[np.int64]
    n: NDArray[np.int64]
    kind: NDArray[np.int64]
    zero: NDArray[np.float64]
    norm: NDArray[np.float64]

    def index(self, m: int, n: int) -> list[int]:
        """Places of the (m, n) functions: one for m = 0, cosine and sine otherwise."""
        return [int(i) for i in np.flatnonzero((self.m == m) & (self.n == n))]


@cache
def basis() -> Basis:
    """The basis: m = 0...MAX_ORDER, n = 1...RADIAL, cosine and sine, by order."""
    rows = [
        (m, n, kind, zero)
        for m in range(MAX_ORDER + 1)
        for n, zero in enumerate(jn_zeros(m, RADIAL), start=1)
        for kind in ((0,) if m == 0 else (0, 1))
    ]
    m, n, kind, zero = (np.array(column) for column in zip(*rows, strict=True))
    angular = np.where(m == 0, 2.0 * np.pi, np.pi)
    norm = 1.0 / (np.sqrt(angular / 2.0) * np.abs(jv(m + 1, zero)))
    return Basis(m, n, kind, zero, norm)


def shapes(r: ArrayLike, theta: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Basis functions and their derivatives by r and theta at polar points of shape (P,); each of shape (P, B)."""
    b = basis()
    r = np.asarray(r, float)[:, None]
    theta = np.asarray(theta, float)[:, None]
    radial, slope = _along(r)
    even, odd = np.cos(b.m * theta), np.sin(b.m * theta)
    angular = np.where(b.kind == 0, even, odd)
    turned = b.m * np.where(b.kind == 0, -odd, even)
    return radial * angular, slope * angular, radial * turned


def _along(r: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radial values and slopes of the basis at radii of shape (P, 1), each (P, B): cosine and sine share theirs."""
    b = basis()
    once = b.kind == 0
    m, zero, norm = b.m[once], b.zero[once], b.norm[once]
    again = np.cumsum(once) - 1
    return (norm * jv(m, zero * r))[:, again], (norm * zero * jvp(m, zero * r))[:, again]


def stiffness(terms: tuple[RimTerm, ...]) -> NDArray[np.float64]:
    """Stiffness matrix (B, B) that a stress field adds to the even head's diagonal j_mn^2.

    The integral over the disc of sigma_rr u_r v_r + sigma_tt u_t v_t / r^2 + sigma_rt (u_r v_t + u_t v_r) / r.
    """
    size = basis().m.size
    total = np.zeros((size, size))
    for term in terms:
        if term.k <= 2 * MAX_ORDER:  # higher ones couple nothing within the basis
            total += _stiffness_of(term)
    return total


def _stiffness_of(term: RimTerm) -> NDArray[np.float64]:
    k = term.k
    even, odd = _angular(k, term.kind == "sin")
    inner, outer = _radial(max(k - 2, 0)), _radial(k)
    normal = term.a * (k - k**2) * inner[0] + term.b * (k + 2 - k**2) * outer[0]
    around = term.a * k * (k - 1) * inner[1] + term.b * (k + 2) * (k + 1) * outer[1]
    shear = k * (term.a * (k - 1) * inner[2] + term.b * (k + 1) * outer[2])
    crossed = shear * odd
    result: NDArray[np.float64] = normal * even[0] + around * even[1] + crossed + crossed.T
    return result


@cache
def _radial_values() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Radii (Q,) and weights (Q,) of a quadrature over 0...1, and the basis' radial values and slopes there (Q, B)."""
    nodes, weights = np.polynomial.legendre.leggauss(_QUADRATURE)
    r = 0.5 * (nodes + 1.0)
    value, slope = _along(r[:, None])
    return r, 0.5 * weights, value, slope


@cache
def _radial(power: int) -> NDArray[np.float64]:
    """Radial integrals of r^power times products of basis slopes, shape (3, B, B): rr, tt, rt (slope by value)."""
    r, weights, value, slope = _radial_values()
    w = weights * r**power
    return np.stack([
        slope.T @ (slope * (w * r)[:, None]),
        value.T @ (value * (w / r)[:, None]),
        slope.T @ (value * w[:, None]),
    ])  # fmt: skip


@cache
def _angular_values() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Angles (Q,) all round and the basis' angular values and slopes there (Q, B)."""
    b = basis()
    count = 8 * MAX_ORDER
    theta = 2.0 * np.pi * np.arange(count) / count
    cos, sin = np.cos(b.m * theta[:, None]), np.sin(b.m * theta[:, None])
    value, slope = np.where(b.kind == 0, cos, sin), b.m * np.where(b.kind == 0, -sin, cos)
    return theta, np.asarray(value, np.float64), np.asarray(slope, np.float64)


@cache
def _angular(k: int, sine: bool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angular integrals of one rim harmonic against basis products.

    Returns (2, B, B) for the normal stresses (values by values; slopes by slopes) and (B, B) for the shear (value by
    slope), the shear's angle function being that of `drumtune.physics.stress.stress`.
    """
    theta, value, slope = _angular_values()
    even, odd = np.cos(k * theta), np.sin(k * theta)
    if sine:
        even, odd = odd, -even
    step = 2.0 * np.pi / theta.size
    normal = np.stack([value.T @ (value * even[:, None]), slope.T @ (slope * even[:, None])]) * step
    return normal, np.asarray(value.T @ (slope * odd[:, None]) * step, dtype=np.float64)


def even_stiffness() -> NDArray[np.float64]:
    """Stiffness matrix (B, B) of the even head: diagonal j_mn^2."""
    return np.diag(basis().zero ** 2)
