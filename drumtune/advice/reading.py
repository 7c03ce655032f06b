"""What one take says about a head: the value objects every later step reads (plan, pictures, log, pages).

Pulls are in cents of pitch, 600 log2(T_i / mean T), where T_i is the local tension at rod i; frequencies in Hz.
Arrays run over rods clockwise from the marked one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Drum

Verdict = Literal["even", "uneven", "unsure"]


@dataclass(frozen=True, slots=True)
class RodReading:
    """One rod: its pull and standard deviation (cents), what is heard there, and the taps it rests on.

    `heard_hz` is the energy-weighted pitch of the (1,1) pair at that rod; `partials` are the strongest lines of its
    taps as (frequency in Hz, level in dB under the strongest line of the whole take).
    """

    rod: int
    pull_cents: float
    pull_sd_cents: float
    heard_hz: float
    taps_used: int
    partials: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class ModeReading:
    """One mode of the head as found in the take: m nodal diameters, n nodal circles, frequency, decay (T60, s)."""

    m: int
    n: int
    frequency_hz: float
    frequency_sd_hz: float
    decay_s: float


@dataclass(frozen=True, slots=True)
class Tilt:
    """One-sided tension (rod harmonic 1) as the take alone has it, no belief about it counted, on a rim that holds.

    A reading draws it toward zero; what is to be added up over takes must not be drawn. `cents` are the amplitudes of
    cos theta and sin theta in the pulls, theta from rod 1 clockwise, shape (2,); `covariance` (2, 2), cents squared.
    """

    cents: NDArray[np.float64]
    covariance: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reading:
    """The whole head, from one take.

    Parameters
    ----------
    drum
        The stand the take was read with.
    rods, modes
        Per rod, clockwise from the marked one; per mode, by frequency.
    covariance
        Shape (rods, rods), covariance of the pulls in cents squared. Pulls sum to about zero by definition.
    tension
        Mean tension of the head, N/m, from the modes with air loading taken into account.
    field
        Rod harmonics of the tension, shape (rods - 1,), in the order of ``drumtune.physics.stress.harmonics``.
    hold
        How firmly the rim holds the film along itself: 0 held, 1 sliding (see ``drumtune.physics.stress``).
    spread_cents, spread_sd_cents
        Highest pull minus lowest, and its standard deviation.
    verdict, reasons
        ``even``, ``uneven`` or ``unsure``; reasons are short sentences, always present for ``unsure``.
    quality
        0...1 well explained by the model; over 1 not to be trusted.
    warnings
        Sentences about the take (clipped taps left out, doubles, hum, the other head ringing...).
    tilt
        One-sided tension as the take alone has it; None where that was not kept.
    """

    drum: Drum
    rods: tuple[RodReading, ...]
    modes: tuple[ModeReading, ...]
    covariance: NDArray[np.float64]
    tension: float
    field: NDArray[np.float64]
    hold: float
    spread_cents: float
    spread_sd_cents: float
    verdict: Verdict
    reasons: tuple[str, ...]
    quality: float
    warnings: tuple[str, ...] = ()
    tilt: Tilt | None = None

    @property
    def pulls_cents(self) -> NDArray[np.float64]:
        """Pulls of the rods, shape (rods,), cents."""
        return np.array([rod.pull_cents for rod in self.rods])
