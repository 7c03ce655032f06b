"""Cautions about a head and its rods: where the drum or the player could come to harm, in one sentence each.

The thresholds are our own or common practice, without a source, but for the film's stress and the limit of exposure.
They never replace what the maker of head, hoop or rod allows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Drum
from drumtune.physics.film import safe_share, stress
from drumtune.physics.hearing import exposure_time
from drumtune.physics.rods import rod_force

FILM_SHARE = 0.7
"""Share of the film's safe stress from which on a caution is due."""
SLACK_SHARE = 0.75
"""Local tension over the mean below which a rod counts as slack (reading and drum both blur it)."""
OUT_OF_LINE = 100.0
"""Cents by which a rod must differ from the middle of its neighbours to be called out of line..."""
OUT_OF_LINE_SD = 3.0
"""...and so many standard deviations of that difference."""
ROD_FORCE = 1000.0
"""Force in a rod, N, from which on a caution is due (hoop ears and lugs give way long before the rod's steel)."""
LOUD_LEVEL = 100.0
"""Level in dBA named in the caution on hearing: near a drum it is soon reached."""


def cautions_for(
    x: NDArray[np.float64],
    C: NDArray[np.float64],
    drum: Drum,
    tension: float,
    change: NDArray[np.float64],
    turning: bool,
) -> tuple[str, ...]:
    """All cautions for pulls `x` (N,) with covariance `C` (N, N) and a planned `change` (N,), cents; `tension` in N/m.

    `turning` tells whether there are moves, and so more taps to come.
    """
    local = tension * 2.0 ** ((x + np.maximum(change, 0.0)) / 600.0)
    found = [*_slack(x), *_out_of_line(x, C), *_film(local, drum), *_force(local, drum)]
    return tuple([*found, hearing_caution()] if turning else found)


def hearing_caution() -> str:
    """The caution on hearing, with the time the limit of exposure leaves at a drum's level."""
    minutes = float(exposure_time(LOUD_LEVEL)) / 60.0
    return (
        f"Wear ear protection: at {LOUD_LEVEL:.0f} dBA, soon reached with an ear at a head, the recommended limit "
        f"(NIOSH) is {minutes:.0f} minutes a day."
    )


def _slack(x: NDArray[np.float64]) -> list[str]:
    """Rods with next to no tension."""
    return [
        f"Rod {rod + 1} is slack: bring it up by hand until it holds, before any finer work."
        for rod in np.flatnonzero(x < 600.0 * np.log2(SLACK_SHARE))
    ]


def _out_of_line(x: NDArray[np.float64], C: NDArray[np.float64]) -> list[str]:
    """Rods that differ from both neighbours by far more than the reading leaves open."""
    unit = np.eye(x.size)
    bend = unit - 0.5 * (np.roll(unit, 1, axis=1) + np.roll(unit, -1, axis=1))
    off = bend @ x
    sd = np.sqrt(np.maximum(np.diagonal(bend @ C @ bend.T), 0.0))
    far = np.abs(off) > np.maximum(OUT_OF_LINE, OUT_OF_LINE_SD * sd)
    worst = far & (np.abs(off) >= np.maximum(np.abs(np.roll(off, 1)), np.abs(np.roll(off, -1))))
    return [
        f"Rod {rod + 1} is far out of line with its neighbours ({off[rod]:+z.0f} cents): look for a bent hoop, a "
        "stripped thread or a badly seated head before turning it further; if in doubt, ask a technician."
        for rod in np.flatnonzero(worst)
    ]


def _film(local: NDArray[np.float64], drum: Drum) -> list[str]:
    """The film's stress where it is tightest, when its thickness is known."""
    if drum.head.thickness <= 0.0:
        return []
    most = stress(local.max(), drum.head.thickness)
    share = float(safe_share(most))
    if share < FILM_SHARE:
        return []
    where = f"At rod {int(local.argmax()) + 1} the film bears about {float(most) / 1e6:.0f} MPa, "
    if share < 1.0:
        return [f"{where}{100.0 * share:.0f} % of its safe stress: raise no further without the head maker's word."]
    return [
        f"{where}more than its safe stress: do not raise it, lower the whole head; the head's maker knows its limit."
    ]


def _force(local: NDArray[np.float64], drum: Drum) -> list[str]:
    """The force in the tightest rod."""
    force = float(rod_force(drum.head.radius, local.max(), drum.rods))
    if force < ROD_FORCE:
        return []
    return [
        f"Rod {int(local.argmax()) + 1} bears about {force:.0f} N: stay within what the makers of hoop, lug and rod "
        "allow."
    ]
