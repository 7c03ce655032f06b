"""From the taps of a take to the pull at each rod, how sure it is, and whether the head is even.

The whole take is explained at once by one tension field (drumtune.advice.inversion); the strongest line near a rod is
a poor guide to the tension there. Pulls in cents of pitch, 600 log2(T_i / mean T). Does not find the taps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.beliefs import BETWEEN, Fit, infer, mixed, quality
from drumtune.advice.inversion.families import Found, find_families
from drumtune.advice.inversion.hearing import heard_head, heard_pitch, levels_at_rods, mode_readings, strongest_lines
from drumtune.advice.inversion.observing import Take
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.advice.inversion.start import HeadSetup, Start
from drumtune.advice.inversion.stillness import change
from drumtune.advice.inversion.tilt import tilt_of
from drumtune.advice.inversion.timing import aligned
from drumtune.advice.reading import Reading, RodReading, Verdict
from drumtune.advice.turns import EVEN_SPREAD
from drumtune.drum import Air, Drum
from drumtune.dsp.hum import STEADY, remove_hum
from drumtune.dsp.tap_spectra import Taps
from drumtune.dsp.taps import Tap
from drumtune.errors import TakeError
from drumtune.physics.membrane import bessel_zero

Array = NDArray[np.float64]
CLEAR_ORDERS = 0.3
"""Least clarity of the families by circular order for the head to be recognised as one tapped round its rim."""
WELL_TIMED = 0.75
"""Clarity below which onsets are taken from all taps together, and that it must then reach: lossless takes of the other
simulator have 0.77 to 0.94, its takes kept with loss 0.84 to 0.94 with onsets so taken; with rods counted or ordered
wrong onsets so taken reach 0.68."""
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
LEAD, TAIL = 0.3, 1.0
"""Sound looked at before the first stroke and after the last, s: how long a recording runs on must not matter."""
SLACKEST, TIGHTEST = 120.0, 20000.0
"""Tensions in N/m between which the head is looked for."""


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
    if len(taps_by_rod) != drum.rods:
        raise ValueError(f"{drum.rods} rods need as many groups of taps, got {len(taps_by_rod)}")
    tell, outside = progress or (lambda share: None), air or Air()
    used, left_out = _usable(taps_by_rod)
    taps, angles = _prepared(samples, sample_rate, taps_by_rod, used, drum)
    tell(0.05)
    taps, found = _recognised(taps, angles, drum, outside)
    tell(0.15)
    setup = HeadSetup(drum.rods, angles, drum.tap_radius)
    fit = infer(setup, taps, Start(found.families, found.air), progress=lambda share: tell(0.15 + 0.85 * share))
    moved = change(fit.point, taps.taps.onsets).moved
    reading = _reading(drum, fit, used, [*left_out, *_doubts(fit, drum, outside)], moved=moved)
    if reading.quality > HOPELESS:
        raise TakeError(_why(fit), reason="doubtful", estimate=reading)
    return reading


def prepare(drum: Drum) -> None:
    """Build the tables a reading of this drum needs; it is then told sooner, and the same."""
    shape_table()
    setup = HeadSetup(drum.rods, drum.rod_angles, drum.tap_radius)
    for slide in (0.0, BETWEEN):
        setup.model(slide)


def _usable(taps_by_rod: Sequence[Sequence[Tap]]) -> tuple[list[list[Tap]], list[str]]:
    """Taps without faults, and a sentence for each rod that lost some."""
    used = [[tap for tap in taps if tap.usable] for taps in taps_by_rod]
    for rod, (taps, left) in enumerate(zip(taps_by_rod, used, strict=True), start=1):
        if not left:
            why = ", ".join(sorted({tap.fault for tap in taps})) or "none played"
            raise TakeError(
                f"rod {rod} has no usable tap ({why}): record the round again, softer if taps were clipped",
                reason="clipped" if "clipped" in why else "taps",
            )
    said = []
    for rod, taps in enumerate(taps_by_rod, start=1):
        faults = [tap.fault for tap in taps if not tap.usable]
        if faults:
            said.append(f"rod {rod}: left out {len(faults)} of {len(taps)} taps ({', '.join(sorted(set(faults)))})")
    return used, said


def _prepared(
    samples: Array, rate: float, every: Sequence[Sequence[Tap]], used: list[list[Tap]], drum: Drum
) -> tuple[Take, Array]:
    """Taps as the fit wants them, and the angle of each one's rod."""
    flat = [tap for taps in used for tap in taps]
    strokes = np.sort([tap.onset for taps in every for tap in taps])
    onsets = np.array([tap.onset for tap in flat])
    first = max(round((onsets.min() - LEAD) * rate), 0)
    samples = samples[first : round((onsets.max() + TAIL) * rate)]
    onsets, strokes = onsets - first / rate, strokes - first / rate
    after = np.append(strokes, samples.size / rate)
    ends = after[np.searchsorted(strokes, onsets, side="right")]
    low = Taps.of(samples - samples.mean(), rate, onsets, ends)
    clean = remove_hum(low.samples, low.rate, STEADY)
    loudness = np.array([tap.peak for tap in flat])
    angles = np.repeat(drum.rod_angles, [len(taps) for taps in used])
    taps = Taps(clean, low.rate, onsets, ends)
    return Take(taps, loudness / loudness.max()), angles


def _recognised(take: Take, angles: Array, drum: Drum, air: Air) -> tuple[Take, Found]:
    """The take and the families of the head in it, or a TakeError when no head is recognised.

    Where the families are not clear the onsets may be to blame: they are then taken from all taps together, and count
    if that makes the families clear.
    """
    found = _families(take.taps, angles, drum, air)
    if found.clarity < WELL_TIMED:
        later = replace(take, taps=aligned(take.taps, angles, drum.rods))
        again = _families(later.taps, angles, drum, air)
        take, found = (later, again) if again.clarity >= WELL_TIMED else (take, found)
    if found.clarity < CLEAR_ORDERS:
        raise TakeError(
            "the taps do not sound like one head tapped round its rim: check the number of rods and the order of the "
            "taps, and that the microphone stood still",
            reason="unrecognised",
        )
    return take, found


def _families(taps: Taps, angles: Array, drum: Drum, air: Air) -> Found:
    """Families of the head."""
    head = drum.head
    load = 2.0 * air.density * head.radius / head.surface_density
    low, high = (_first_pair(drum, load, tension) for tension in (SLACKEST, TIGHTEST))
    return find_families(taps, angles, drum.rods, load, low, high)


def _first_pair(drum: Drum, load: float, tension: float) -> float:
    """Frequency of (1,1) at a tension, with air on both sides, Hz."""
    head = drum.head
    speed = math.sqrt(tension / head.surface_density)
    return bessel_zero(1, 1) * speed / (2.0 * math.pi * head.radius) / math.sqrt(1.0 + 0.3301 * load)


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


def _reading(drum: Drum, fit: Fit, used: list[list[Tap]], said: list[str], *, moved: bool) -> Reading:
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
