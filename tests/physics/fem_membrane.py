"""Finite elements for a head on an uneven rim, made with scikit-fem and nothing of the package under test.

Unit disc, unit surface density, mean tension 1. Two problems, both with quadratic triangles, curved along the rim:

- plane stress of the film under a prescribed radial displacement of its rim, either held along the rim (no tangential
  displacement), sliding (no shear), or held by springs along the rim;
- free vibration of the film under that stress: -div(sigma grad w) = lambda w, w = 0 at the rim.

In-plane displacements are in units where E/(1 - nu^2) = 1, so they come with their stress already a share of the mean
tension once scaled. Angles in radians from rod 1.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, cached_property, lru_cache
from typing import Literal

import numpy as np
import scipy.sparse as sp
import scipy.sparse.linalg as spl
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from skfem import Basis, BilinearForm, ElementTriP2, MeshTri, MeshTri2

POISSON = 0.38
"""Poisson's ratio of polyester film (a maker's bulletin for Mylar 92A)."""
SHEAR = 0.5 * (1.0 - POISSON)

Rim = Literal["held", "sliding", "spring"]
Floats = NDArray[np.float64]
Slopes = tuple[sp.csr_matrix, sp.csr_matrix]
Stress = tuple[Floats, Floats, Floats]
"""Stress components xx, yy, xy at the quadrature points of a disc."""


class Disc:
    """Meshed unit disc with its mass matrix and in-plane stiffness."""

    def __init__(self, refinements: int) -> None:
        self.mesh = MeshTri2.init_circle(refinements)
        self.basis = Basis(self.mesh, ElementTriP2(), intorder=5)
        self.x, self.y = self.basis.doflocs
        self.size = int(self.basis.N)
        self.rim = self.basis.get_dofs().all()
        self.inner = np.setdiff1d(np.arange(self.size), self.rim)
        self.rim_angles = np.arctan2(self.y[self.rim], self.x[self.rim])
        self.mass = BilinearForm(lambda u, v, _: u * v).assemble(self.basis)
        self.stiffness = self._in_plane_stiffness()

    def _in_plane_stiffness(self) -> sp.csr_matrix:
        xx, yy, xy = (
            BilinearForm(lambda u, v, _, i=i, j=j: u.grad[i] * v.grad[j]).assemble(self.basis)
            for i, j in ((0, 0), (1, 1), (0, 1))
        )
        mixed = POISSON * xy.T + SHEAR * xy
        both: sp.csr_matrix = sp.bmat([[xx + SHEAR * yy, mixed], [mixed.T, yy + SHEAR * xx]]).tocsr()
        return both

    @cached_property
    def _find(self) -> Callable[[Floats, Floats], NDArray[np.int64]]:
        corners = self.mesh.t.max() + 1
        straight = MeshTri(np.ascontiguousarray(self.mesh.doflocs[:, :corners]), self.mesh.t)
        finder: Callable[[Floats, Floats], NDArray[np.int64]] = straight.element_finder()
        return finder

    def probe(self, r: ArrayLike, theta: ArrayLike) -> tuple[sp.csr_matrix, sp.csr_matrix, sp.csr_matrix]:
        """Matrices (points, size) that give a field's value, its x slope and its y slope at polar points."""
        r, theta = np.ravel(r), np.ravel(theta)
        target = np.stack([r * np.cos(theta), r * np.sin(theta)])
        # the finder knows the straight-edged triangles only: look up points near the rim a little further in
        inward = np.where(r < 0.9, 1.0, 0.9985)
        cells = self._find(*(target * inward))
        place = np.full((2, len(cells), 1), 1.0 / 3.0)
        mapping = self.basis.mapping
        for _ in range(4):  # Newton; two steps do, the curved triangles are nearly straight
            miss = target[:, :, None] - mapping.F(place, tind=cells)
            place = place + np.einsum("ijkl,jkl->ikl", mapping.invDF(place, tind=cells), miss)
        entries: list[list[Floats]] = [[], [], []]
        for k in range(self.basis.Nbfun):
            shape = self.basis.elem.gbasis(mapping, place, k, tind=cells)[0]
            for store, value in zip(entries, (np.asarray(shape), *shape.grad), strict=True):
                store.append(np.broadcast_to(value, (len(cells), 1)).ravel())
        rows = np.tile(np.arange(len(cells)), self.basis.Nbfun)
        columns = self.basis.element_dofs[:, cells].ravel()
        value, slope_x, slope_y = (
            sp.csr_matrix((np.concatenate(e), (rows, columns)), shape=(len(cells), self.size)) for e in entries
        )
        return value, slope_x, slope_y

    @cached_property
    def _turn(self) -> sp.csr_matrix:
        """From (radial, tangential) displacements at the rim, (x, y) elsewhere, to (x, y) everywhere."""
        c, s = np.ones(self.size), np.zeros(self.size)
        c[self.rim], s[self.rim] = np.cos(self.rim_angles), np.sin(self.rim_angles)
        return sp.bmat([[sp.diags(c), sp.diags(-s)], [sp.diags(s), sp.diags(c)]]).tocsr()

    @lru_cache(maxsize=8)  # noqa: B019 - a handful of discs per process
    def _factored(self, rim: Rim, spring: float) -> tuple[spl.SuperLU, sp.csr_matrix, NDArray[np.int64]]:
        stiffness = self._turn.T @ self.stiffness @ self._turn
        radial, tangential = self.rim, self.rim + self.size
        along = np.zeros(2 * self.size)
        # a sliding film may still turn as a whole: the weakest of springs stops it
        along[tangential] = {"held": 0.0, "sliding": 1e-9, "spring": spring}[rim] * 2.0 * np.pi / len(tangential)
        stiffness = (stiffness + sp.diags(along)).tocsr()
        known = np.r_[radial, tangential] if rim == "held" else radial
        free = np.setdiff1d(np.arange(2 * self.size), known)
        return spl.splu(stiffness[free][:, free].tocsc()), stiffness[free][:, radial], free

    def displacement(self, at_rim: Floats, rim: Rim, spring: float = 0.0) -> Floats:
        """In-plane displacement (2 size,), x then y, for the radial displacement `at_rim` of the rim's nodes."""
        solver, coupling, free = self._factored(rim, spring)
        moved = np.zeros(2 * self.size)
        moved[self.rim] = at_rim
        moved[free] = solver.solve(-(coupling @ at_rim))
        turned: Floats = self._turn @ moved
        return turned

    def stress(self, displacement: Floats) -> Stress:
        """Stress of a displacement at the quadrature points."""
        a = self.basis.interpolate(displacement[: self.size])
        b = self.basis.interpolate(displacement[self.size :])
        return (*_plane_stress(*a.grad, *b.grad),)

    def stress_at(self, displacement: Floats, r: ArrayLike, theta: ArrayLike) -> Stress:
        """Radial, circumferential and shear stress of a displacement at polar points."""
        return self._stress_by(self.probe(r, theta)[1:], displacement, np.ravel(theta))

    def _stress_by(self, slopes: Slopes, displacement: Floats, theta: Floats) -> Stress:
        slope_x, slope_y = slopes
        a, b = displacement[: self.size], displacement[self.size :]
        xx, yy, xy = _plane_stress(slope_x @ a, slope_y @ a, slope_x @ b, slope_y @ b)
        c, s = np.cos(theta), np.sin(theta)
        radial = c * c * xx + s * s * yy + 2.0 * c * s * xy
        hoop = s * s * xx + c * c * yy - 2.0 * c * s * xy
        return radial, hoop, c * s * (yy - xx) + (c * c - s * s) * xy

    @lru_cache(maxsize=32)  # noqa: B019 - a handful of discs per process
    def _near_rods(self, rods: int, inner: float) -> tuple[Slopes, Floats, Floats]:
        """Slopes at Gauss points beside every rod, the points' angles, and their shares of the area (64,)."""
        nodes, weights = np.polynomial.legendre.leggauss(8)
        r = 0.5 * (1.0 + inner) + 0.5 * (1.0 - inner) * nodes
        theta = 2.0 * np.pi * np.arange(rods)[:, None] / rods + nodes * np.pi / (2.0 * rods)
        shape = (rods, 8, 8)
        angles = np.broadcast_to(theta[:, :, None], shape).ravel()
        slopes = self.probe(np.broadcast_to(r, shape), angles)[1:]
        area = np.outer(weights, weights * r).ravel()
        return slopes, angles, area / area.sum()

    def rod_tensions(self, displacement: Floats, rods: int, inner: float = 0.86) -> Floats:
        """Local tension at each rod (rods,): area mean of the radial stress, r in [inner, 1], +- a quarter spacing."""
        slopes, angles, area = self._near_rods(rods, inner)
        radial, _, _ = self._stress_by(slopes, displacement, angles)
        mean: Floats = radial.reshape(rods, -1) @ area
        return mean

    def modes(self, extra: Stress, count: int) -> tuple[Floats, Floats]:
        """Lowest modes under mean tension 1 plus the stress `extra`.

        Returns frequencies in units of sqrt(T/sigma)/a, shape (count,), and shapes normalised over the disc,
        (size, count).
        """
        form = BilinearForm(
            lambda u, v, w: (
                (1.0 + w["xx"]) * u.grad[0] * v.grad[0]
                + (1.0 + w["yy"]) * u.grad[1] * v.grad[1]
                + w["xy"] * (u.grad[0] * v.grad[1] + u.grad[1] * v.grad[0])
            )
        )
        stiffness = form.assemble(self.basis, xx=extra[0], yy=extra[1], xy=extra[2])
        i = self.inner
        start = np.random.default_rng(1).standard_normal(len(i))  # ARPACK's own start is not repeatable
        squares, vectors = spl.eigsh(
            stiffness[i][:, i].tocsc(), k=count, M=self.mass[i][:, i].tocsc(), sigma=0.0, v0=start
        )
        order = np.argsort(squares)
        full = np.zeros((self.size, count))
        full[i] = vectors[:, order]
        return np.sqrt(squares[order]), full

    def no_stress(self) -> Stress:
        """The even head's extra stress: nothing."""
        zero = np.zeros_like(self.basis.dx)
        return zero, zero, zero


def _plane_stress(ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Stress:
    return ax + POISSON * by, POISSON * ax + by, SHEAR * (ay + bx)


@cache
def disc(refinements: int) -> Disc:
    """The disc after so many refinements of a square; 4 has 64 rim edges and 2113 nodes."""
    return Disc(refinements)


def hoop_between_rods(at_rods: ArrayLike, angles: ArrayLike) -> Floats:
    """A hoop through its rods' displacements: a beam loaded at points is a periodic cubic spline."""
    values = np.asarray(at_rods, float)
    knots = 2.0 * np.pi * np.arange(len(values) + 1) / len(values)
    spline = CubicSpline(knots, np.r_[values, values[0]], bc_type="periodic")
    result: Floats = spline(np.mod(angles, 2.0 * np.pi))
    return result


def rod_displacement(d: Disc, at_rods: ArrayLike, rim: Rim, spring: float = 0.0) -> Floats:
    """In-plane displacement of the film for the hoop displacements `at_rods`."""
    return d.displacement(hoop_between_rods(at_rods, d.rim_angles), rim, spring)
