"""What tests of the log share: a drum, readings and plans made by hand, and logs filled with them."""

import hashlib

import numpy as np

from drumtune.advice.reading import ModeReading, Reading, RodReading, Tilt
from drumtune.advice.turns import Move, Plan
from drumtune.drum import INCH, Drum, Head
from drumtune.stand import Stand
from drumtune.store import changes, opened, queries
from drumtune.store.file import transaction
from drumtune.store.records import Take, TakeFile, Turning

DRUM = Drum(Head.of_film(7 * INCH, 10.0), 8)
TILT = Tilt(np.array([7.5, -4.25]), np.array([[90.0, 6.5], [6.5, 110.0]]))
FLOOR = Stand("floor", "tom", DRUM, 14 * INCH)


def reading(pulls, drum=DRUM, verdict="uneven", pair=(186.5, 187.5)):
    pulls = np.asarray(pulls, float) - np.mean(pulls)
    rods = tuple(
        RodReading(i + 1, float(pull), 3.0 + i, 187.0, 3, ((187.0, -3.0), (262.5, 0.0))) for i, pull in enumerate(pulls)
    )
    modes = (
        ModeReading(1, 1, pair[0], 0.05, 0.9),
        ModeReading(1, 1, pair[1], 0.05, float("nan")),
        ModeReading(2, 1, 262.5, 0.05, 0.7),
    )
    covariance = np.diag(np.arange(3.0, 3.0 + pulls.size) ** 2) + 0.1
    spread = float(np.ptp(pulls))
    return Reading(drum, rods, modes, covariance, 1400.0, np.linspace(-0.1, 0.1, pulls.size - 1), 0.5, spread, 4.0,
                   verdict, ("spread above 20",), 0.3, ("hum at 50 Hz was taken out",), TILT)  # fmt: skip


def plan(*moves):
    told = tuple(Move(i, rod, "raise" if turns > 0 else "lower", abs(turns)) for i, (rod, turns) in enumerate(moves, 1))
    return Plan(told, 22.0, 6.0, 4.0, ("Wear ear protection.",), ("Tap round again.",))


def take(name="a.wav", **given):
    return Take((TakeFile(name, 1000, hashlib.sha256(name.encode()).hexdigest()),), 28.25, 44100.0, **given)


def add(path, name="a.wav", stand="floor", pulls=(10, -30, 20, 5, -5, 40, -20, -20), source="unknown", **given):
    """Log one take in a transaction of its own, as the command does; return its number."""
    with opened(path, writing=True) as connection, transaction(connection):
        kept = queries.stand(connection, stand)
        before = queries.numbers(connection, stand, stand_id=kept.stand_id)
        turned = np.zeros(kept.stand.drum.rods)
        turned[1] = 0.125 if source != "unknown" else 0.0
        turning = Turning(source, turned, before[-1][0] if before else None)
        found = (reading(pulls), plan((2, 0.125), (6, -0.0625)), "even")
        return changes.add_entry(connection, kept.stand_id, take(name, **given), turning, found)


def new(path, stand=FLOOR):
    with opened(path, writing=True) as connection:
        changes.add_stand(connection, stand)
    return path
