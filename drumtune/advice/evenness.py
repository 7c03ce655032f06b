"""From the taps of a take to the pull at each rod, how sure it is, and whether the head is even.

The whole take is explained at once by one tension field (drumtune.advice.inversion); the strongest line near a rod is
a poor guide to the tension there. Pulls in cents of pitch, 600 log2(T_i / mean T). Does not find the taps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.explained import Explained, explain
from drumtune.advice.inversion.beliefs import BETWEEN, Fit, mixed, quality
from drumtune.advice.inversion.hearing import heard_head, heard_pitch, levels_at_rods, mode_readings, strongest_lines
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.advice.inversion.start import HeadSetup
from drumtune.advice.inversion.stillness import change
from drumtune.advice.inversion.tilt import tilt_of
from drumtune.advice.reading import Reading, RodReading, Verdict
from drumtune.advice.turns import EVEN_SPREAD
from drumtune.drum import Air, Drum
from drumtune.dsp.taps import Tap
from drumtune.errors import TakeError

Array = NDArray[np.float64]
DOUBTFUL = 0.9
"""Quality above which a reading is not vouched for: of 100 simulated takes in order none came above 0.8."""
HOPELESS = 1.5
"""Quality above which there is no reading at all."""
MOVED_DOUBT = 5.0
"""Where the microphone moved, deviations are this much larger than said: such takes were up to six of them off."""
STRUCK_GLIDE = 0.02
"""Fall of pitch after the loudest tap (relative; 35 cents) that only a struck drum shows: taps fall by 15 or so."""
AIR_DOUBT = 2.0
"""Factor by which the air's weight found may differ from that of the stand before the player is told."""


def read_head(
    samples: Array,
    sample_rate: float,
    taps_by_rod: Sequence[Sequence[Tap]],
    drum: Drum,
    *,
    air: Air | None = None,
    progress: Callable[[float], None] | None = None,
) -> Reading:
    """Read a head from one take.

    Parameters
    ----------
    samples, sample_rate
        The take, one channel, shape (n,), and its rate in Hz.
    taps_by_rod
        Taps at each rod, clockwise from the marked one (`drumtune.dsp.by_rod.group_taps`). Faulty ones are left out.
    drum
        The stand.
    air
        Air the take was made in; left out: 20 °C at sea level.
    progress
        Called with the share done, 0...1.

    Raises
    ------
    ValueError
        If there are not as many groups of taps as rods.
    TakeError
        If the take does not allow a reading: a rod without a usable tap, or no head recognised in the sound.
    """
    tell, outside = progress or (lambda share: None), air or Air()
    found = explain(samples, sample_rate, taps_by_rod, drum, air=outside, progress=tell)
    return reading_of(found, drum, outside)


def reading_of(found: Explained, drum: Drum, air: Air) -> Reading:
    """Read the head of a take that was explained.

    Raises
    ------
    TakeError
        ``"doubtful"``: no head tapped at its rods explains the take.
    """
    fit = found.fit
    moved = change(fit.point, found.onsets).moved
    reading = _reading(drum, fit, found.used, [*found.left_out, *_doubts(fit, drum, air)], moved=moved)
    if reading.quality > HOPELESS:
        raise TakeError(_why(fit), reason="doubtful", estimate=reading)
    return reading


def prepare(drum: Drum) -> None:
    """Build the tables a reading of this drum needs; it is then told sooner, and the same."""
    shape_table()
    setup = HeadSetup(drum.rods, drum.rod_angles, drum.tap_radius)
    for slide in (0.0, BETWEEN):
        setup.model(slide)


def _why(fit: Fit) -> str:
    """One line for a take that no head tapped at its rods explains."""
    if fit.point.state.common[fit.model.at.glide][0] > STRUCK_GLIDE:
        return (
            "the pitch falls too far after each stroke for a tap: tap lightly with a fingertip or a stick, near each "
            "rod, with the other head muted, and record again"
        )
    return (
        "the taps do not fit one head tapped once round its rods and heard from one place: keep the microphone still, "
        "mute the other head, tap at each rod in order, and record again"
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    verdict: Verdict
    reasons: tuple[str, ...]


MOVED = _Judged("unsure", ("the microphone seems to have moved between the taps: fix it, and tap the round again",))


def _judge(spread: float, sd: float, trust: float) -> _Judged:
    """Even, uneven or unsure, and why."""
    if trust > DOUBTFUL:
        return _Judged("unsure", ("the sound does not fit one head tapped at its rods well enough to be vouched for",))
    if spread < EVEN_SPREAD and sd < 0.6 * EVEN_SPREAD:
        return _Judged("even", (f"spread {spread:.0f} cents, below {EVEN_SPREAD:.0f}",))
    if spread - 0.5 * sd > EVEN_SPREAD:
        return _Judged("uneven", (f"spread {spread:.0f} cents, above {EVEN_SPREAD:.0f}",))
    reason = f"spread {spread:.0f} +- {sd:.0f} cents may lie on either side of {EVEN_SPREAD:.0f}: tap more at each rod"
    return _Judged("unsure", (reason,))


def spread_of(pulls: Array, covariance: Array, draws: int = 4000) -> tuple[float, float]:
    """Highest pull minus lowest, with the noise's own share taken out in part, and its standard deviation (cents).

    The plain maximum minus minimum of noisy pulls is too large; what noise of this covariance adds to it once more is
    taken off (bootstrap with a fixed seed, so the same reading always says the same). Does not take out all of it: of
    noise round an even head 2 - sqrt 2, some 60 %, stays.
    """
    rng = np.random.default_rng(0)
    noise = rng.multivariate_normal(np.zeros(pulls.size), covariance, draws, method="eigh")
    plain = float(np.ptp(pulls))
    again = np.ptp(pulls + noise, axis=1)
    return max(plain - max(float(again.mean()) - plain, 0.0), 0.0), float(again.std())


def _reading(drum: Drum, fit: Fit, used: Sequence[Sequence[Tap]], said: list[str], *, moved: bool) -> Reading:
    """Everything told about the head; `moved` where the microphone did not stand still."""
    said_of_rods, trust = mixed(fit), quality(fit)
    pulls = said_of_rods.pulls - said_of_rods.pulls.mean()
    doubt = max(trust, 1.0) * (MOVED_DOUBT if moved else 1.0)
    covariance = said_of_rods.covariance * doubt**2
    spread, spread_sd = spread_of(pulls, covariance)
    judged = MOVED if moved else _judge(spread, spread_sd, trust)
    sd = np.sqrt(np.diagonal(covariance))
    head = heard_head(fit)
    levels = levels_at_rods(fit, head)
    heard, lines = heard_pitch(head, levels), strongest_lines(head, levels)
    rods = tuple(
        RodReading(i + 1, float(pulls[i]), float(sd[i]), float(heard[i]), len(used[i]), lines[i])
        for i in range(drum.rods)
    )
    return Reading(
        drum=drum,
        rods=rods,
        modes=mode_readings(fit, head),
        covariance=covariance,
        tension=_tension(fit, drum),
        field=said_of_rods.field,
        hold=1.0 - said_of_rods.holds,
        spread_cents=spread,
        spread_sd_cents=spread_sd,
        verdict=judged.verdict,
        reasons=judged.reasons,
        quality=trust,
        warnings=tuple(said),
        tilt=tilt_of(fit, doubt),
    )


def _doubts(fit: Fit, drum: Drum, air: Air) -> tuple[str, ...]:
    """Where the head found is not the head described: the air's weight goes with radius over surface density."""
    found = math.exp(fit.point.state.common[fit.model.at.air][0])
    factor = found * drum.head.surface_density / (2.0 * air.density * drum.head.radius)
    if 1.0 / AIR_DOUBT < factor < AIR_DOUBT:
        return ()
    return ("the modes are not spaced as on the head described: check --diameter-in and --film-mil",)


def _tension(fit: Fit, drum: Drum) -> float:
    """Mean tension in N/m: the scale sqrt(T/sigma)/(2 pi a) has the air's load taken out already."""
    scale = math.exp(fit.point.state.common[fit.model.at.scale][0])
    return drum.head.surface_density * (2.0 * math.pi * drum.head.radius * scale) ** 2
