"""Whether what a log holds can be: limits far beyond anything a drum or a take has.

A log is a plain database that other programs can write to, and an export a text that anyone can edit. What is read from
either is held against these limits once, so that nothing further on meets a value no reading could have made.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime

import numpy as np

from drumtune.advice.reading import ModeReading, RodReading, Tilt
from drumtune.stand import Stand, dump_stand, parse_stand
from drumtune.store.records import Entry

MOST_CENTS = 1e4
"""Largest pull, deviation or change, cents."""
MOST_TURNS = 100.0
"""Most turns of one rod."""


def check_stand(stand: Stand) -> None:
    """Refuse a drum that no stand file could describe.

    Raises
    ------
    StandError
        Naming what is wrong.
    """
    parse_stand(dump_stand(stand))


def check(entry: Entry) -> None:
    """Refuse an entry that no take could have made.

    Raises
    ------
    ValueError
        Naming what is wrong.
    """
    _check_take(entry)
    _check_reading(entry)
    _check_turns(entry)


def _check_take(entry: Entry) -> None:
    if datetime.fromisoformat(entry.logged_utc).tzinfo is None:
        raise ValueError("its time has no zone")
    take = entry.take
    _within("length", (take.duration_s,), 0.0, 1e6)
    _within("sample rate", (take.sample_rate_hz,), 1.0, 1e9)
    _within("temperature", _known(take.temperature_c), -100.0, 100.0)
    _within("humidity", _known(take.humidity_percent), 0.0, 100.0)


def _check_reading(entry: Entry) -> None:
    reading = entry.reading
    if [rod.rod for rod in reading.rods] != list(range(1, reading.drum.rods + 1)):
        raise ValueError("its rods are not those of the drum")
    for rod in reading.rods:
        _check_rod(rod)
    for mode in reading.modes:
        _check_mode(mode)
    _within("tension", (reading.tension,), 1.0, 1e6)
    _within("hold of the rim", (reading.hold,), 0.0, 1.0)
    _within("quality", (reading.quality,), 0.0, 1e6)
    _within("spread", (reading.spread_cents, reading.spread_sd_cents), 0.0, MOST_CENTS)
    _within("tension field", reading.field.tolist(), -10.0, 10.0)
    _within("variance", np.diagonal(reading.covariance).tolist(), 1e-6, MOST_CENTS**2)
    _within("covariance", reading.covariance.ravel().tolist(), -(MOST_CENTS**2), MOST_CENTS**2)
    lowest, highest = np.linalg.eigvalsh(reading.covariance)[[0, -1]]
    if lowest < -1e-6 * highest:
        raise ValueError("its covariances contradict each other")
    if reading.tilt is not None:
        _check_tilt(reading.tilt)


def _check_tilt(tilt: Tilt) -> None:
    _within("one-sided tension", tilt.cents.tolist(), -MOST_CENTS, MOST_CENTS)
    _within("variance", np.linalg.eigvalsh(tilt.covariance).tolist(), 1e-9, MOST_CENTS**2)


def _check_rod(rod: RodReading) -> None:
    _within("pull", (rod.pull_cents, rod.pull_sd_cents), -MOST_CENTS, MOST_CENTS)
    _within("count of taps", (rod.taps_used,), 0, 10_000)
    _within("pitch", _known(rod.heard_hz), 1.0, 1e5)
    _within("line", _known(*(frequency for frequency, _ in rod.partials)), 0.0, 1e6)
    _within("level", _known(*(level for _, level in rod.partials)), -1000.0, 1000.0)


def _check_mode(mode: ModeReading) -> None:
    for name, value, least in (("m", mode.m, 0), ("n", mode.n, 1)):
        if not isinstance(value, int) or not least <= value <= 100:
            raise ValueError(f"the {name} of a mode is no whole number of {least} to 100")
    _within("mode", _known(mode.frequency_hz), 1.0, 1e5)
    _within("deviation of a mode", [x for x in _known(mode.frequency_sd_hz) if x != math.inf], 0.0, 1e5)
    _within("decay", [x for x in _known(mode.decay_s) if x != math.inf], 0.0, 1e5)


def _check_turns(entry: Entry) -> None:
    plan, rods = entry.plan, entry.reading.drum.rods
    for move in plan.moves:
        _within("rod of a move", (move.rod,), 1, rods)
        _within("move", (move.turns,), 0.0, MOST_TURNS)
    _within("turn", entry.turning.turned.tolist(), -MOST_TURNS, MOST_TURNS)
    _within("expectation", (plan.expected_spread_cents, plan.expected_spread_sd_cents), 0.0, MOST_CENTS)
    _within("change of pitch", (plan.pitch_change_cents,), -MOST_CENTS, MOST_CENTS)


def _known(*values: float | None) -> list[float]:
    """Values that are there; NaN stands for one that is not."""
    return [value for value in values if value is not None and not math.isnan(value)]


def _within(name: str, values: Iterable[float], low: float, high: float) -> None:
    for value in values:
        if not low <= value <= high:
            raise ValueError(f"a {name} of {value:g} is beyond {low:g} to {high:g}")
