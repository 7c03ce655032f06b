"""How a head answers a stick: its stiffness under the tip, and how long the stick stays on it.

SI units. The head is an even film at its tension, the stick a mass on a disc the size of a tip; both follow from the
struck head alone, so two tunings with one top tension feel alike however different they sound. docs/physics.md,
"Feel". Left out: air, the stick's own bending, the hand, the other head.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import j0, j1, jn_zeros

from drumtune.drum import Head

TIP_RADIUS = 0.005
"""Radius of the spot a stick's tip loads, m (common practice, no source)."""
STICK_MASS = 0.018
"""Mass of a stick as felt at its tip, kg: a third of 54 g, a rod turned about the hand (common practice, no source)."""
_MODES = 80


def stiffness(head: Head, tension: ArrayLike, *, tip: float = TIP_RADIUS) -> NDArray[np.float64]:
    """Force over mean deflection (N/m) of a head loaded evenly on a disc of radius `tip` m at its centre.

    2 pi T / (ln(a/b) + 1/4): the static film equation T laplace(w) = -p, the deflection averaged over the load.

    Raises
    ------
    ValueError
        If a tension is not positive or the tip not smaller than the head.
    """
    force = np.asarray(tension, float)
    if np.any(force <= 0.0) or not 0.0 < tip < head.radius:
        raise ValueError("tension must be positive and the tip smaller than the head")
    return np.asarray(2.0 * math.pi * force / (math.log(head.radius / tip) + 0.25))


def contact_time(head: Head, tension: float, *, mass: float = STICK_MASS, tip: float = TIP_RADIUS) -> float:
    """Time in s that a stick of `mass` kg (as felt at the tip) stays on the head's centre, from touch to rebound.

    The stick moves with the film under it until the film would have to pull: the free motion of film and mass is a sum
    of modes, and contact ends where the mass's acceleration changes sign. A stick that comes to rest on the head for
    good does not occur without loss. Does not depend on how hard the hit is (linear film).

    Raises
    ------
    ValueError
        If tension or mass is not positive, or the tip not smaller than the head.
    """
    if mass <= 0.0:
        raise ValueError(f"the stick's mass must be positive, got {mass}")
    guess = math.pi * math.sqrt(mass / float(stiffness(head, tension, tip=tip)))
    zeros, grip = _tip_modes(tip / head.radius)
    area = math.pi * head.radius**2
    loaded = np.eye(_MODES) + mass / (head.surface_density * area) * np.outer(grip, grip)
    unload = np.linalg.inv(np.linalg.cholesky(loaded))
    omega = zeros / head.radius * math.sqrt(tension / head.surface_density)
    squares, turned = np.linalg.eigh(unload * omega**2 @ unload.T)
    modes, rate = unload.T @ turned, np.sqrt(squares)
    seen = grip @ modes  # the stick's displacement per mode; momentum m v goes in at t = 0
    time = np.linspace(0.0, 4.0 * guess, 1600)[1:]
    pull = np.sin(time[:, None] * rate) @ (seen**2 * rate)  # minus the acceleration
    smooth = _past_ripple(time, pull, tip / math.sqrt(tension / head.surface_density))
    return float(_first_fall(time, smooth))


def _past_ripple(time: NDArray[np.float64], pull: NDArray[np.float64], crossing: float) -> NDArray[np.float64]:
    """Average over the time a wave needs to cross the tip, which the modes left out make uncertain anyhow."""
    count = max(1, round(2.0 * crossing / (time[1] - time[0])))
    return np.convolve(pull, np.full(count, 1.0 / count), mode="same")


def _first_fall(time: NDArray[np.float64], pull: NDArray[np.float64]) -> float:
    """First time at which `pull` goes from positive to negative, by linear interpolation."""
    falls = np.flatnonzero((pull[:-1] > 0.0) & (pull[1:] <= 0.0))
    if falls.size == 0:
        raise ValueError("the stick does not leave the head within four half periods")
    i = falls[0]
    return float(time[i] + (time[i + 1] - time[i]) * pull[i] / (pull[i] - pull[i + 1]))


@cache
def _tip_modes(share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Zeros of J0 and the mean over a disc of radius `share` of each (0,n) mode of mean square 1, shape (_MODES,)."""
    zeros = np.asarray(jn_zeros(0, _MODES), float)
    x = zeros * share
    shape = np.where(x < 1e-8, j0(x), 2.0 * j1(x) / x)
    return zeros, np.asarray(shape / np.abs(j1(zeros)))
