"""Tension rods and hoops: threads, the force in a rod, and what turning rods does to the tension round the rim.

A turn is one full turn of a rod in the tightening direction; the gain of a pattern of turns is in cents of pitch per
turn (600 log2 of the tension). Patterns round the rim are split into rod harmonics k = 0 (all rods alike), 1 (one
side), 2... floor(N/2), for which the response of equally spaced rods is diagonal. SI units. The equations stand in
docs/physics.md, section "Rods and hoops".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import INCH, PET_DENSITY, PET_POISSON, Drum, HoopKind
from drumtune.physics.film import YOUNG_MEAN, stiffness
from drumtune.physics.stress import airy_held, airy_sliding

SOFTNESS = 10.0
"""How many times softer a head on its drum is than flat film pulled at its edge (a rough figure, no source)."""
GAIN_SD = 0.6
"""Relative standard deviation of the gain of a drum nobody has measured (our own prior, no source)."""
DOUBTFUL_SD = 0.8
"""The same for k = 1, which hangs most on how firmly the rim holds the film, and where `LEAST_GAIN` was put in."""
COMMON_SD = 0.5
"""The part of both that all patterns share: a head softer than thought is so for all of them (our own prior)."""
SEAT_STIFFNESS = 5e6
"""Stiffness of one rod's seat in N/m: lug, washer, the hoop's ear (our own rough estimate, no source)."""
FILM_SHARE = 0.2
"""Share of the softness under the hoop that lies in the film itself, the rest in the collar. Between 1/10 (film as
stiff as when flat) and 1 (no collar) the gain of a tilt varies fivefold (our own choice, no source)."""
LEAST_FILM = 0.02
"""Least film stiffness over that of k = 0: a tilt on a sliding rim makes no tension in flat film."""
LEAST_GAIN = (0.2, 0.5)
"""No gain is taken lower than this over that of k = 0 (k = 1, k >= 2): a gain thought too low overshoots."""
NEAR_ALIASES = 3
"""How many multiples of N above k count: the hoop's sag between rods falls as the fourth power."""


@dataclass(frozen=True, slots=True)
class Thread:
    """A screw thread: pitch (m a turn) and basic major diameter (m)."""

    pitch: float
    major: float

    @property
    def pitch_diameter(self) -> float:
        """Basic pitch diameter in m of a 60 degree thread: D - (3 sqrt 3 / 8) P (ASME B1.1; ISO 724)."""
        return self.major - 0.375 * math.sqrt(3.0) * self.pitch


THREADS = {
    "12-24 UNC": Thread(INCH / 24.0, 0.216 * INCH),
    "10-24 UNC": Thread(INCH / 24.0, 0.190 * INCH),
    "8-32 UNC": Thread(INCH / 32.0, 0.164 * INCH),
    "1/4-20 UNC": Thread(INCH / 20.0, 0.250 * INCH),
    "M5": Thread(0.8e-3, 5e-3),
    "M6": Thread(1.0e-3, 6e-3),
}
"""Threads of tension rods. Inch sizes: ASME B1.1 (12-24 as published, the others from memory); metric: ISO 261 coarse.
That 12-24 is the usual one is common practice, no source."""
USUAL_THREAD = THREADS["12-24 UNC"]


@dataclass(frozen=True, slots=True)
class Hoop:
    """A hoop's stiffness against bending out of its plane and against twist, both N m2."""

    bending: float
    twist: float


HOOPS: dict[HoopKind, Hoop] = {
    "flanged": Hoop(1640.0, 19.0),
    "cast": Hoop(960.0, 55.0),
    "wood": Hoop(990.0, 36.0),
}
"""Hoops from plain sections (our own estimate, no source): steel strip 2.3 x 35 mm developed to 60 mm, zinc
5 x 30 mm, maple 18 x 38 mm. A twisting hoop gives way first, so the cast one is the stiffest as a ring."""


def rod_force(radius: float, tension: ArrayLike, rods: int) -> NDArray[np.float64]:
    """Force in N in each of `rods` rods that hold a head of `radius` m at `tension` N/m: 2 pi a T / N.

    Raises
    ------
    ValueError
        If there are no rods.
    """
    if rods < 1:
        raise ValueError(f"there must be at least one rod, got {rods}")
    return 2.0 * math.pi * radius * np.asarray(tension, float) / rods


def film_gain(radius: float, thickness: float, thread: Thread = USUAL_THREAD) -> float:
    """Tension in N/m for one turn of all rods if flat film took up the whole way: E h P / ((1 - nu) a).

    An upper bound: collar, seats and lugs give way too, and real heads are about `SOFTNESS` times softer.
    """
    return float(stiffness(thickness)) * thread.pitch / radius


def film_stiffness(k: int, slide: float = 0.5, *, poisson: float = PET_POISSON) -> float:
    """Rim tension per rim displacement of harmonic k in units of E h / a, flat film.

    Parameters
    ----------
    k
        Harmonic, 0 or more.
    slide
        0: the film is held along the rim, 1: it slides there without friction; between, the two are mixed.
    poisson
        Poisson's ratio.

    Raises
    ------
    ValueError
        If k < 0 or slide lies outside 0...1.
    """
    if k < 0 or not 0.0 <= slide <= 1.0:
        raise ValueError(f"a harmonic is not negative and slide lies in 0...1, got {k} and {slide}")
    if k == 0:
        return 1.0 / (1.0 - poisson)
    held = _rim_stress(k, airy_held(k, poisson))
    free = 0.0 if k == 1 else _rim_stress(k, airy_sliding(k, poisson))
    return (1.0 - slide) * held + slide * free


def _rim_stress(k: int, airy: tuple[float, float]) -> float:
    """Radial stress at the rim of the stress function (A r^k + B r^(k+2)) cos k theta."""
    return airy[0] * (k - k * k) + airy[1] * (k + 2.0 - k * k)


def hoop_stiffness(hoop: Hoop, radius: float, k: int) -> float:
    """Load per length and deflection (N/m2) of a free ring bent out of its plane as cos k theta.

    EI k^2 (k^2 - 1)^2 / (a^4 (k^2 + EI/GJ)): nothing for k = 0 (down as a whole) and k = 1 (tilt).
    """
    return hoop.bending * k**2 * (k**2 - 1) ** 2 / (radius**4 * (k**2 + hoop.bending / hoop.twist))


@dataclass(frozen=True, slots=True)
class RodResponse:
    """How the pulls of a head answer its rods: a circulant, split into rod harmonics.

    Parameters
    ----------
    rods
        Number of rods N.
    gains
        Shape (N//2 + 1,), cents of pitch per turn for patterns cos k theta of turns, k = 0...N//2, all above 0.
    relative_covariance
        Shape (N//2 + 1, N//2 + 1), covariance of the gains, each over its own gain. A log of rounds replaces gains and
        covariance by what the drum has shown; nothing else here changes.

    Raises
    ------
    ValueError
        If a shape is wrong, a gain is not positive, or a variance negative.
    """

    rods: int
    gains: NDArray[np.float64]
    relative_covariance: NDArray[np.float64]

    def __post_init__(self) -> None:
        count = self.rods // 2 + 1
        if self.gains.shape != (count,) or self.relative_covariance.shape != (count, count):
            raise ValueError(
                f"{self.rods} rods need {count} gains and their covariance, "
                f"got {self.gains.shape} and {self.relative_covariance.shape}"
            )
        if not (np.all(self.gains > 0.0) and np.all(np.diagonal(self.relative_covariance) >= 0.0)):
            raise ValueError("gains must be positive and their variances not negative")

    @property
    def relative_sd(self) -> NDArray[np.float64]:
        """Standard deviation of each gain over the gain, shape (N//2 + 1,)."""
        return np.sqrt(np.diagonal(self.relative_covariance))

    @property
    def matrix(self) -> NDArray[np.float64]:
        """Cents at rod i for one turn of rod j, shape (N, N)."""
        return np.asarray(np.tensordot(self.gains, harmonic_projectors(self.rods), 1))

    @property
    def cautious_matrix(self) -> NDArray[np.float64]:
        """`matrix` with every gain raised by the factor 1 + sd^2: turning against it errs least in the mean square."""
        return np.asarray(np.tensordot(self.gains * (1.0 + self.relative_sd**2), harmonic_projectors(self.rods), 1))

    def effect(self, turns: ArrayLike) -> NDArray[np.float64]:
        """Expected change of pitch in cents at each rod, shape (N,), for `turns` (N,). The mean shift is left in."""
        return np.asarray(self.matrix @ np.asarray(turns, float))

    def effect_parts(self, turns: ArrayLike) -> NDArray[np.float64]:
        """`effect` split into harmonics, shape (N//2 + 1, N); each has the relative deviation of its gain."""
        return np.asarray(self.gains[:, None] * (harmonic_projectors(self.rods) @ np.asarray(turns, float)))

    def effect_covariance(self, turns: ArrayLike) -> NDArray[np.float64]:
        """Covariance in cents squared, shape (N, N), of `effect` by what is not known about the gains."""
        part = self.effect_parts(turns)
        return np.asarray(part.T @ self.relative_covariance @ part)


@lru_cache(maxsize=32)
def harmonic_projectors(rods: int) -> NDArray[np.float64]:
    """Matrices that pick harmonic k out of a pattern over the rods, shape (N//2 + 1, N, N); they sum to the identity.

    Raises
    ------
    ValueError
        If there are fewer than 2 rods.
    """
    if rods < 2:
        raise ValueError(f"a pattern needs at least 2 rods, got {rods}")
    k = np.arange(rods // 2 + 1)
    lag = np.subtract.outer(np.arange(rods), np.arange(rods))
    share = np.where((k == 0) | (2 * k == rods), 1.0, 2.0) / rods
    table: NDArray[np.float64] = share[:, None, None] * np.cos(2.0 * math.pi * k[:, None, None] * lag / rods)
    table.setflags(write=False)
    return table


def rod_response(
    drum: Drum, tension: float, *, slide: float = 0.5, softness: float = SOFTNESS, thread: Thread = USUAL_THREAD
) -> RodResponse:
    """Response to be expected of a drum nobody has measured, from its sizes.

    Parameters
    ----------
    drum
        The stand; a head that was only weighed is taken as plain film of that weight.
    tension
        Mean tension, N/m.
    slide
        How the rim holds the film along itself: 0 held, 1 sliding.
    softness
        How many times softer the head is than flat film when all rods are turned alike.
    thread
        Thread of the rods.

    Returns
    -------
    RodResponse
        Gains with `GAIN_SD` (the doubtful: `DOUBTFUL_SD`), of which `COMMON_SD` is common to all.

    Raises
    ------
    ValueError
        If the tension or the softness is not positive.

    Notes
    -----
    What the seats leave of the softness is shared out between film that is not flat and the collar (between hoop and
    film) by `FILM_SHARE`. Rods are taken to stay loaded; friction in thread and seat is not
    counted.
    """
    if not (tension > 0.0 and softness > 0.0):
        raise ValueError(f"tension and softness must be positive, got {tension} N/m and {softness}")
    thickness = drum.head.thickness or drum.head.surface_density / PET_DENSITY
    per_turn = film_gain(drum.head.radius, thickness, thread) / softness
    pattern = np.array([_pattern_gain(drum, thickness, k, slide, softness) for k in range(drum.rods // 2 + 1)])
    tilt = np.arange(pattern.size) == 1
    relative = np.maximum(pattern / pattern[0], np.where(tilt, *LEAST_GAIN))
    doubtful = tilt | (relative > pattern / pattern[0])
    per_turn_cents = 600.0 / math.log(2.0) * per_turn / tension
    own = np.where(doubtful, DOUBTFUL_SD, GAIN_SD) ** 2 - COMMON_SD**2
    return RodResponse(drum.rods, per_turn_cents * relative, np.diag(own) + COMMON_SD**2)


def _pattern_gain(drum: Drum, thickness: float, k: int, slide: float, softness: float) -> float:
    """Rim tension per length a rod draws down in rod harmonic k (N/m2).

    The hoop bends between film (with collar) below and rods (with seats) above; harmonics lN + k sag between rods. At
    k = N/2 every harmonic is there twice, as N/2 + lN and as -N/2 - lN, that of the pattern too.
    """
    radius, hoop = drum.head.radius, HOOPS[drum.hoop]
    even = YOUNG_MEAN * thickness / radius * film_stiffness(0)
    seat = 2.0 * math.pi * radius / drum.rods / SEAT_STIFFNESS
    below = max(softness / even - seat, 0.1 / even)
    aliases = [abs(step * drum.rods + k) for step in range(-NEAR_ALIASES, NEAR_ALIASES + 1)]
    under = {q: 1.0 / (below * _compliance(q, slide)) for q in aliases}
    sag = sum(1.0 / (hoop_stiffness(hoop, radius, q) + under[q]) for q in aliases)
    return aliases.count(k) * under[k] / (hoop_stiffness(hoop, radius, k) + under[k]) / (sag + seat)


def _compliance(k: int, slide: float) -> float:
    """Compliance of film and collar in series for harmonic k over that for k = 0."""
    film = film_stiffness(k, slide) / film_stiffness(0)
    return FILM_SHARE / max(film, LEAST_FILM) + 1.0 - FILM_SHARE
