"""Smooth blocks of the modes of an uneven head.

Single eigenvectors jump when two modes come close; the span of a band's eigenvectors does not. Each band's vectors are
turned (orthogonal Procrustes) to lie closest to the even head's Bessel modes: shapes C (B, d) and stiffness Omega
(d, d), both smooth in the tension field through every crossing. docs/inference.md, "Blocks".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import modes

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks of the modes in use.

    Parameters
    ----------
    shapes
        In the Bessel basis, (B, M).
    stiffness
        Per band, (d, d), in units of the even head's j^2 scale.
    values, vectors
        All eigenvalues (B,), ascending, and eigenvectors (B, B) of the stiffness matrix they come from.
    """

    shapes: Array
    stiffness: tuple[Array, ...]
    values: Array
    vectors: Array


def blocks(stiffness: Array) -> Blocks:
    """Blocks of the modes in use, from the whole stiffness matrix (B, B)."""
    table = modes()
    values, vectors = np.linalg.eigh(stiffness)
    shapes = np.empty((vectors.shape[0], table.count))
    inner = []
    for slot in table.slots:
        own = vectors[:, slot]
        u, _, vt = np.linalg.svd(own[table.member[slot]].T)
        turn = u @ vt
        shapes[:, slot] = own @ turn
        inner.append((turn.T * values[slot]) @ turn)
    return Blocks(shapes, tuple(inner), values, vectors)


def block_slopes(found: Blocks, fields: Array) -> tuple[Array, list[Array]]:
    """Slopes of blocks along each field of shape (Q, B, B).

    Returns the slopes of the shapes (Q, B, M), and per band the slopes of the stiffness (Q, d, d): first order
    perturbation of each band's span against everything outside it, and the turn within the span that keeps it closest
    to the Bessel modes.
    """
    table, vectors = modes(), found.vectors
    pushed = vectors.T @ (fields @ vectors[:, : table.count])
    away = vectors @ (pushed * _closeness(found.values))
    shape_slopes = np.empty_like(away)
    inner_slopes = []
    for slot, inner in zip(table.slots, found.stiffness, strict=True):
        own, member = found.shapes[:, slot], table.member[slot]
        turn = vectors[:, slot].T @ own
        leaving = away[:, :, slot] @ turn
        # closest means that the span's own rows P are symmetric; with L their slope, the turn W solves PW + WP = L' - L
        size, axes = np.linalg.eigh(own[member])
        seen = axes.T @ leaving[:, member] @ axes
        within = axes @ ((seen.transpose(0, 2, 1) - seen) / np.add.outer(size, size)) @ axes.T
        shape_slopes[:, :, slot] = leaving + own @ within
        inner_slopes.append(turn.T @ pushed[:, slot, slot] @ turn + inner @ within - within @ inner)
    return shape_slopes, inner_slopes


def _closeness(values: Array) -> Array:
    """One over the distance of each mode in use from every other, nothing within a band, (B, M)."""
    table = modes()
    apart = values[: table.count] - values[:, None]
    band = np.append(table.band, np.full(values.size - table.count, -1))
    same = band[:, None] == table.band
    return np.where(same, 0.0, 1.0 / np.where(same, 1.0, apart))
