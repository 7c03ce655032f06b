"""A round with a drum that is known: what the log says about it now, and the moves that follow.

Pulls and pitches in cents, turns in full turns. Where one reading alone may only say "even enough" (under 20 cents),
a drum with rounds behind it can be taken further: its gains are known better and its readings add up, and finer
steps pay. Pure: takes readings, gives values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.cautions import cautions_for
from drumtune.advice.descent import Chances, Goal, best_turns, chances, left_after, measure
from drumtune.advice.reading import Reading, Verdict
from drumtune.advice.response import Learned, learn
from drumtune.advice.rod_state import Seen
from drumtune.advice.turns import LARGE_STEPS, MOST_STEPS, STEP, Action, Move, Plan, crosswise, moved
from drumtune.drum import Air, Drum
from drumtune.physics import air as loaded
from drumtune.physics.film import safe_share, stress, temperature_drift
from drumtune.physics.rods import harmonic_projectors

Floats = NDArray[np.float64]
FINER = (STEP, STEP / 2.0, STEP / 4.0)
"""Smallest turns to plan in, coarse before fine."""
FINER_PAYS = 1.0
"""Cents a finer step must save to be asked of the player."""
FINE_SPREAD = 5.0
"""Spread in cents at which a head with rounds behind it is left alone."""
LEAST_GAIN = 0.5
"""Cents a round must be expected to gain to be worth the turning."""
SURE = 0.7
"""Chance that a round makes the head better, below which it is better to listen again first."""
UNSAID, UNSAID_SHARE = 1.5, 0.08
"""Deviation per rod that readings of simulated takes have beyond what they say: cents, and a share of how uneven the
head is (our own; harmonics 2 to 5 of takes of 42 drums)."""
LEVEL_SD = 2.0
"""Deviation in cents of a head's pitch as a whole from one take to the next, beside that of its lines (our own)."""
TAPS, MOST_PER_ROD = 160, 20
"""Taps of a take that are asked for in rounds, and at most at one rod: single taps say little about one side being
tighter than the other, and that gets better with the root of their number."""
MOST_TURN = STEP * MOST_STEPS
"""Largest turn per rod and round."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A reading as the log keeps it for learning: pulls, covariance, pitch of the whole, tension, place and time.

    `turned` are the signed turns made since the reading before (None: not known), `said` whether the player said so.
    `celsius` is the temperature if given; `days` the age in days against any fixed day.
    """

    pulls: Floats
    covariance: Floats
    frequency_11: float
    frequency_11_sd: float
    tension: float
    turned: Floats | None = None
    said: bool = False
    celsius: float | None = None
    days: float = 0.0


@dataclass(frozen=True, slots=True)
class Setting:
    """A saved setting: pulls (N,), pitch of the whole in cents (see `level_cents`), and the temperature if known."""

    name: str
    pulls: Floats
    level_cents: float
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class History:
    """Readings of one drum over time, for the pictures; arrays run over readings, oldest first.

    `numbers` are those of the takes; `days` since the first, whose date is `first_day` and whose hour and minute, both
    in UTC, are `first_time`; `pulls`, `pulls_sd` have shape (readings, rods), cents; `spread`, `spread_sd` and the
    spread `expected` of each plan (NaN without moves), cents; `frequency` of the (1,1) pair, Hz.
    """

    numbers: tuple[int, ...]
    days: Floats
    first_day: str
    first_time: str
    pulls: Floats
    pulls_sd: Floats
    spread: Floats
    spread_sd: Floats
    frequency: Floats
    expected: Floats


def first_pair(reading: Reading, air: Air | None = None) -> tuple[float, float]:
    """Mean frequency of the (1,1) pair in Hz and its deviation; from the tension where the pair was not found."""
    pair = [mode for mode in reading.modes if (mode.m, mode.n) == (1, 1) and mode.frequency_hz > 0.0]
    if not pair:
        return float(loaded.frequency(reading.drum.head, reading.tension, 1, 1, air=air or Air())), 1.0
    sd = math.sqrt(sum(mode.frequency_sd_hz**2 for mode in pair)) / len(pair)
    return sum(mode.frequency_hz for mode in pair) / len(pair), sd if math.isfinite(sd) else 1.0


def kept(reading: Reading, turned: Floats | None = None, *, said: bool = False, celsius: float | None = None) -> Kept:
    """Return what the log keeps of a reading for learning: signed turns before it (N,) or None, who says so, °C."""
    frequency, sd = first_pair(reading, None if celsius is None else Air.at(celsius))
    pulls, covariance = as_measured(reading)
    return Kept(pulls, covariance, frequency, sd, reading.tension, turned, said, celsius)


def as_measured(reading: Reading) -> tuple[Floats, Floats]:
    """Pulls (N,) and covariance (N, N) as the take alone has them, the reading's own belief in harmonic 1 taken out.

    A take says little about one-sided tension, so a reading draws it towards zero. That is right for one take; but many
    takes so drawn would never add up to what is there (`drumtune.advice.reading.Tilt`). Where the tilt was not kept,
    the pulls are as read. `UNSAID` is added to what the reading says it does not know.
    """
    pulls, covariance = reading.pulls_cents - reading.pulls_cents.mean(), reading.covariance
    rods = pulls.size
    middle = np.eye(rods) - 1.0 / rods
    unsaid = (UNSAID**2 + UNSAID_SHARE**2 * float(np.mean(pulls**2))) * middle
    if reading.tilt is None:
        return pulls, covariance + unsaid
    angles = 2.0 * math.pi * np.arange(rods) / rods
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    rest = middle - harmonic_projectors(rods)[1]
    known = rest @ (covariance + unsaid) @ rest + circle @ reading.tilt.covariance @ circle.T
    return rest @ pulls + circle @ reading.tilt.cents, known


def level_cents(drum: Drum, frequency_11: float, celsius: float | None = None) -> float:
    """Tension of the head as a whole as a pitch in cents against 1 N/m, the air's mass at that temperature counted.

    600 log2 of the tension: unlike the frequency it does not change with the air.
    """
    air = Air() if celsius is None else Air.at(celsius)
    return 600.0 * math.log2(float(loaded.tension(drum.head, frequency_11, 1, 1, air=air)))


def seen(drum: Drum, kept: Sequence[Kept]) -> tuple[Seen, ...]:
    """Readings of the log as learning wants them, oldest first."""
    found: list[Seen] = []
    for place, one in enumerate(kept):
        before = kept[place - 1] if place else one
        warmer = _warmer(before.celsius, one.celsius)
        relative = one.frequency_11_sd / one.frequency_11
        found.append(
            Seen(
                pulls=one.pulls - one.pulls.mean(),
                covariance=one.covariance,
                level_cents=level_cents(drum, one.frequency_11, one.celsius),
                level_sd_cents=math.hypot(LEVEL_SD, 1200.0 / math.log(2.0) * relative),
                tension=one.tension,
                turned=one.turned,
                said=one.said,
                drift_cents=warmth_cents(drum, one.tension, warmer),
            )
        )
    return tuple(found)


def warmth_cents(drum: Drum, tension: float, warmer: float) -> float:
    """Shift of pitch in cents to be expected of a head that is `warmer` by so many K, at a tension in N/m."""
    thickness = drum.head.thickness
    if warmer == 0.0 or thickness <= 0.0:
        return 0.0
    change = float(temperature_drift(thickness, warmer))
    return 600.0 * math.log2(max(1.0 + change / tension, 0.1))


def _warmer(before: float | None, now: float | None) -> float:
    return 0.0 if before is None or now is None else now - before


def know(drum: Drum, kept: Sequence[Kept]) -> Learned:
    """Everything the log knows of a drum.

    Raises
    ------
    ValueError
        If there is no reading.
    """
    return learn(drum, seen(drum, kept))


def plan_round(known: Learned, drum: Drum, tension: float, verdict: Verdict | None = None) -> Plan:
    """Moves toward an even head, in the coarsest step that serves.

    Parameters
    ----------
    known
        The drum as learned.
    drum, tension
        The stand, and its mean tension in N/m.
    verdict
        Of the last reading alone. While no round stands behind it, ``even`` and ``unsure`` get no moves.

    Notes
    -----
    A head with rounds behind it is taken on to `FINE_SPREAD`, well under what a single reading calls even.
    """
    waiting = known.waiting - known.waiting.mean()
    aim = _Aim("spread", known.pulls + waiting, known.covariance)
    if known.pairs == 0 and verdict == "unsure":
        return _still(aim, known, drum, tension, "The reading is not sure enough to turn a rod on it: tap round again.")
    if (known.pairs == 0 and verdict == "even") or float(np.ptp(known.pulls)) < FINE_SPREAD:
        return _still(aim, known, drum, tension, _even_words(float(np.ptp(aim.off))))
    return _planned(aim, known, drum, tension)


def _even_words(left: float) -> str:
    """What to say of a head that is even now, with `left` cents of spread once friction has given."""
    if left < FINE_SPREAD:
        return "The head is even: leave every rod as it is."
    return (
        f"The head is even now, but friction still holds some of the last turns: it may go to {left:.0f} cents by "
        "itself. Leave every rod as it is and tap round again."
    )


def plan_back(known: Learned, drum: Drum, tension: float, setting: Setting, celsius: float | None = None) -> Plan:
    """Moves toward a saved setting, in absolute pitch: every rod, and with it the head as a whole.

    Parameters
    ----------
    known
        The drum as learned, its level counted as in `level_cents`.
    drum, tension
        The stand, and its mean tension now in N/m.
    setting
        What to bring back.
    celsius
        Temperature now. With that of the setting known, the aim is shifted by what the warmth alone does, so that the
        drum is right again at the setting's temperature.

    Notes
    -----
    `expected_spread_cents` of the plan is the largest distance of a rod from the setting to be expected afterwards.
    """
    warmth = warmth_cents(drum, tension, _warmer(setting.celsius, celsius))
    off = (
        known.pulls
        + known.waiting
        + known.level_cents
        - (setting.pulls - setting.pulls.mean())
        - setting.level_cents
        - warmth
    )
    aim = _Aim("distance", off, known.covariance + known.level_sd_cents**2)
    plan = _planned(aim, known, drum, tension)
    note = f"The head as a whole stands {off.mean():+.0f} cents from {setting.name!r}."
    if round(off.mean()) == 0:
        note = f"The head as a whole stands where it stood in {setting.name!r}."
    if round(warmth):
        note += f" Warmth alone makes {warmth:+.0f} cents between the two, and that is allowed for."
    return replace(plan, notes=(note, *plan.notes), to_setting=True)


@dataclass(frozen=True, slots=True)
class _Aim:
    """What is to be made small: the goal, what is off at each rod (cents), and its covariance."""

    goal: Goal
    off: Floats
    covariance: Floats


def _still(aim: _Aim, known: Learned, drum: Drum, tension: float, note: str) -> Plan:
    """Return a plan without moves."""
    draws = measure(aim.off + np.zeros((1, aim.off.size)), aim.goal)
    sd = float(measure(chances(aim.off, aim.covariance, known.response).off, aim.goal).std())
    none = np.zeros(aim.off.size)
    cautions = cautions_for(known.pulls, known.covariance, drum, tension, none, turning=False)
    return Plan((), float(draws[0]), sd, 0.0, cautions, (note,))


def _planned(aim: _Aim, known: Learned, drum: Drum, tension: float) -> Plan:
    """Best turns in the coarsest step that serves; none where they gain too little."""
    draws = chances(aim.off, aim.covariance, known.response)
    up = drum.head.thickness == 0.0 or float(safe_share(stress(tension, drum.head.thickness))) < 1.0
    turns, after, step = _in_best_step(draws, aim.goal, up)
    before = measure(draws.off, aim.goal)
    better = float(np.mean(after < before))
    if not turns.any() or after.mean() > before.mean() - LEAST_GAIN or better < SURE:
        return _still(aim, known, drum, tension, "No turn is expected to bring the head nearer: leave it as it is.")
    change = known.response.effect(turns)
    cautions = cautions_for(known.pulls, known.covariance, drum, tension, change, turning=True)
    notes = _notes(turns, step, known, float(change.mean()))
    return Plan(ordered(turns), float(after.mean()), float(after.std()), float(change.mean()), cautions, notes)


def _in_best_step(draws: Chances, goal: Goal, up: bool) -> tuple[Floats, Floats, float]:
    """Turns, what they leave in each draw, and the step they are planned in."""
    best: tuple[Floats, Floats, float] | None = None
    for step in FINER:
        turns = best_turns(draws, step, MOST_TURN, goal=goal, up=up)
        after = measure(left_after(draws, turns), goal)
        if best is None or after.mean() < best[1].mean() - FINER_PAYS:
            best = turns, after, step
    assert best is not None
    return best


def taps_per_rod(rods: int) -> int:
    """Taps at each rod that are asked for where a drum is worked on in rounds.

    Examples
    --------
    >>> [taps_per_rod(rods) for rods in (5, 6, 8, 10, 12)]
    [20, 20, 20, 16, 14]
    """
    return min(math.ceil(TAPS / rods), MOST_PER_ROD)


def ordered(turns: Floats) -> tuple[Move, ...]:
    """Moves in the order to make them: crosswise from the largest when any is large, else round the head."""
    rods = [int(rod) for rod in np.flatnonzero(turns)]
    if np.abs(turns).max(initial=0.0) >= LARGE_STEPS * STEP:
        rods = crosswise(rods, turns.size, int(np.abs(turns).argmax()))
    actions: dict[bool, Action] = {True: "raise", False: "lower"}
    return tuple(
        Move(place, rod + 1, actions[bool(turns[rod] > 0)], float(abs(turns[rod])))
        for place, rod in enumerate(rods, start=1)
    )


def _notes(turns: Floats, step: float, known: Learned, change: float) -> tuple[str, ...]:
    """Sentences on what the plan rests on."""
    sure = 100.0 * float(known.response.relative_sd[1:].mean())
    behind = f"{known.pairs} round{'s' if known.pairs > 1 else ''} of this drum" if known.pairs else "its sizes alone"
    notes = [
        f"What a turn does to this drum is known to about {sure:.0f} %, from {behind}: tap round again afterwards.",
        moved(change),
        f"Tap {taps_per_rod(turns.size)} times at each rod next time if you can: only many taps tell whether one side "
        "is tighter.",
    ]
    if step < STEP:
        notes.append(
            f"Steps of 1/{round(1.0 / step)} turn ({360.0 * step:.0f} degrees), because this drum answers too strongly "
            "for coarser ones: watch the end of the key's handle, not the rod."
        )
    if (turns < 0).any():
        notes.append("A rod to be lowered is loosened past its mark and brought back up, so that it ends tightening.")
    return tuple(notes)
