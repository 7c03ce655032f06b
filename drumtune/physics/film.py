"""Polyester film: what it weighs, what it bears, what warmth does to it.

Stress in Pa, thickness in m, tension in N/m. The constants are a film maker's published figures for a general-purpose
polyester film, not for any one head: coated, dotted and two-ply heads differ, and a head's maker has the last word.
The equations stand in docs/physics.md, section "Film".
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import PET_POISSON, Air, Head
from drumtune.physics import air as loaded

YOUNG = (4.81e9, 5.00e9)
"""Young's modulus along and across the web, Pa (maker's physical-properties bulletin for Mylar 92A)."""
YOUNG_MEAN = 0.5 * (YOUNG[0] + YOUNG[1])
"""Mean of the two directions, Pa."""
STRENGTH = 196e6
"""Tensile strength of the weaker direction, Pa (same bulletin: 196 and 235 MPa)."""
STRESS_AT_5_PERCENT = 98e6
"""Stress at 5 % strain, Pa (same bulletin): past it the film has given way for good. Here the limit of safe stress."""
EXPANSION = 1.7e-5
"""Thermal expansion of the film, 1/K (same bulletin)."""
WOOD_EXPANSION = 0.5e-5
"""Expansion of a ply shell round its girth, 1/K (from memory: along the grain 3e-6 to 6e-6, plies mixed)."""
_ROOM = Air()


def stress(tension: ArrayLike, thickness: ArrayLike) -> NDArray[np.float64]:
    """Stress in Pa in a film of `thickness` m under `tension` N/m: T/h.

    Raises
    ------
    ValueError
        If a thickness is not positive (a head that was only weighed has none).
    """
    depth = np.asarray(thickness, float)
    if np.any(depth <= 0.0):
        raise ValueError(f"a film's thickness must be positive, got {float(depth.min())} m")
    return np.asarray(np.asarray(tension, float) / depth)


def safe_share(stress_pa: ArrayLike) -> NDArray[np.float64]:
    """Share of the safe stress in use: 1 at the maker's stress for 5 % strain, 2 at the film's strength."""
    return np.asarray(stress_pa, float) / STRESS_AT_5_PERCENT


def stress_at_pitch(
    head: Head, frequency_hz: ArrayLike, m: int = 1, n: int = 1, *, air: Air = _ROOM, sides: int = 2
) -> NDArray[np.float64]:
    """Film stress in Pa of a head whose mode (m, n) sounds at `frequency_hz`, the air's mass counted.

    Raises
    ------
    ValueError
        If the head's thickness is not known (0).
    """
    return stress(loaded.tension(head, frequency_hz, m, n, air=air, sides=sides), head.thickness)


def stiffness(thickness: ArrayLike, *, young: float = YOUNG_MEAN, poisson: float = PET_POISSON) -> NDArray[np.float64]:
    """Tension in N/m per unit of even strain in both directions: E h / (1 - nu)."""
    return np.asarray(young / (1.0 - poisson) * np.asarray(thickness, float))


def temperature_drift(
    thickness: ArrayLike, warmer: ArrayLike, *, softness: float = 10.0, shell_expansion: float = WOOD_EXPANSION
) -> NDArray[np.float64]:
    """Change of tension in N/m when film and shell grow `warmer` by so many K (negative: tension lost).

    Parameters
    ----------
    thickness
        Film thickness, m.
    warmer
        Rise of temperature, K.
    softness
        How many times softer the head on its shell is than flat film; 1 is the upper bound of the effect. The default
        is that of ``drumtune.physics.rods.SOFTNESS`` and no better known.
    shell_expansion
        Expansion of the shell along its girth, 1/K.

    Notes
    -----
    Does not count humidity, nor rods and hoop growing with the warmth.
    """
    strain = (EXPANSION - shell_expansion) * np.asarray(warmer, float)
    return -stiffness(thickness) / softness * strain
