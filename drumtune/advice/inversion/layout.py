"""Which modes of the head are used, in which bands, and where each unknown stands in the vectors of the fit.

A family is (m, n); its cosine and sine members are two modes (one for m = 0). Families whose frequencies lie close
share a band and are followed together. Unknowns common to the take ("globals") and those of one tap ("locals") stand
in flat vectors, addressed by slices.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drumtune.physics.air import added_mass
from drumtune.physics.modes import basis

FAMILIES = ((0, 1), (1, 1), (2, 1), (0, 2), (3, 1), (1, 2), (4, 1), (2, 2), (0, 3), (5, 1))
"""Families used, by frequency."""
BANDS = ((0,), (1,), (2, 3), (4,), (5,), (6,), (7, 8, 9))
"""Families of each band, by place in FAMILIES."""
GLIDE_TIME = 0.07
"""Time constant of the fall of pitch after a tap, s (found in recordings; its depth is estimated)."""


@dataclass(frozen=True, slots=True)
class Modes:
    """Tables over the modes in use, in band order.

    Parameters
    ----------
    member
        Place of each mode's even-head function in `drumtune.physics.modes.basis`, shape (M,).
    family, band
        Family and band of each mode, shape (M,).
    zero, chi
        Per family: Bessel zero and air-mass coefficient, shape (F,).
    slots
        Slice of the modes of each band.
    doublets
        Per doublet: band, family, and the places of its two modes within the band.
    """

    member: NDArray[np.int64]
    family: NDArray[np.int64]
    band: NDArray[np.int64]
    zero: NDArray[np.float64]
    chi: NDArray[np.float64]
    slots: tuple[slice, ...]
    doublets: tuple[tuple[int, int, tuple[int, int]], ...]

    @property
    def count(self) -> int:
        """Number of modes M."""
        return int(self.member.size)

    @property
    def mode_zero(self) -> NDArray[np.float64]:
        """Bessel zero of each mode, shape (M,)."""
        return self.zero[self.family]


@cache
def modes() -> Modes:
    """The modes in use."""
    b = basis()
    member: list[int] = []
    family: list[int] = []
    band: list[int] = []
    slots, doublets = [], []
    for place, families in enumerate(BANDS):
        start = len(member)
        for f in families:
            found = b.index(*FAMILIES[f])
            if len(found) == 2:
                inside = len(member) - start
                doublets.append((place, f, (inside, inside + 1)))
            member += found
            family += [f] * len(found)
            band += [place] * len(found)
        slots.append(slice(start, len(member)))
    zero = np.array([b.zero[b.index(m, n)[0]] for m, n in FAMILIES])
    chi = np.array([added_mass(m, n) for m, n in FAMILIES])
    return Modes(np.array(member), np.array(family), np.array(band), zero, chi, tuple(slots), tuple(doublets))


@dataclass(frozen=True, slots=True)
class Globals:
    """Slices of the unknowns common to the whole take.

    field: rod harmonics of the tension; scale: log of sqrt(T/sigma)/(2 pi a) in Hz; air: log of the air parameter;
    offset: relative deviation of each family's frequency; loss: log decay rate of each family (1/s); tilt, loss_tilt:
    traceless corrections of each doublet's frequency and loss (two each); gain: microphone gain of each mode (real,
    then imaginary); glide: relative fall of pitch of the loudest tap; reach: common error of the tap radius.
    """

    field: slice
    scale: slice
    air: slice
    offset: slice
    loss: slice
    tilt: slice
    loss_tilt: slice
    gain: slice
    glide: slice
    reach: slice

    @property
    def size(self) -> int:
        """Number of common unknowns G."""
        return int(self.reach.stop)


def global_slices(rods: int) -> Globals:
    """Slices of the common unknowns for a head of `rods` rods."""
    table = modes()
    families, doublets = len(FAMILIES), len(table.doublets)
    sizes = (rods - 1, 1, 1, families, families, 2 * doublets, 2 * doublets, 2 * table.count, 1, 1)
    edges = np.concatenate([[0], np.cumsum(sizes)])
    parts = [slice(int(a), int(b)) for a, b in pairwise(edges)]
    return Globals(*parts)


STRENGTH, DELAY, CONTACT, RADIUS, ANGLE = range(5)
"""Places of a tap's own unknowns: log strength, time error and contact time (ms), errors of radius and angle."""
SHAPE = slice(5, 5 + 17)
"""Additive errors of the mode shapes at one tap, in units of each mode's rms on the tap circle."""
RESIDUAL = slice(SHAPE.stop, SHAPE.stop + 2 * len(BANDS))
"""Constant residual of each band (real, then imaginary), in units of the band's rms."""
LOCALS = RESIDUAL.stop


@cache
def in_use(rods: int, bands: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which common unknowns (G,), and which of a tap's own (LOCALS,), the lowest `bands` bands hang on."""
    at, table = global_slices(rods), modes()
    family = np.isin(np.arange(len(FAMILIES)), [f for band in BANDS[:bands] for f in band])
    mode = table.band < bands
    doublet = np.array([band < bands for band, _, _ in table.doublets])
    common, own = np.ones(at.size, bool), np.ones(LOCALS, bool)
    common[at.offset] = common[at.loss] = family
    common[at.tilt] = common[at.loss_tilt] = np.repeat(doublet, 2)
    common[at.gain] = np.tile(mode, 2)
    own[SHAPE] = mode
    own[RESIDUAL] = np.tile(np.arange(len(BANDS)) < bands, 2)
    return common, own
