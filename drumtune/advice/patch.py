"""What a piece of tape would do to each partial, before it is stuck on: a forecast by `drumtune.advice.damping`.

How much a piece resists is not known beforehand, so the forecast is for the piece that would bring the longest partial
down to the length of the lowest; what that piece takes from every other partial, and the pitch it costs, follow from
the modes' motion at its place. Radius as a share of the head's, decay times T60 in s. Equations: docs/physics.md,
section Damping.

Does not know the weight of the film unless told, nor what the other head adds to the modes' masses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drumtune.advice.damping import (
    FALL,
    Patch,
    best_place,
    damped,
    long_ones,
    measured_resistance,
    place_told,
    rings_long,
)
from drumtune.advice.ring import HitReading, Partial
from drumtune.drum import Head

GRAM = 1e-3
"""Mass whose cost in pitch is told, kg: about 3 cm of cloth tape (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """A patch, the partial it is for, and each named partial with its decay (s) afterwards and cents lost a gram."""

    patch: Patch
    target: Partial
    partials: tuple[tuple[Partial, float, float], ...]


def forecast(hit: HitReading, head: Head) -> Forecast | None:
    """What a patch at the best place for the longest partial would do; None where nothing asks for one.

    None too where the longest partial's mode is not named, or is (0,1), which a patch at a good place spares.
    """
    found = long_ones(hit)
    if found is None or not rings_long(*found) or found[0].mode in (None, (0, 1)):
        return None
    target, lowest = found
    assert target.mode is not None
    radius = best_place(target.mode)
    resistance = measured_resistance(head, target.mode, target.decay_s, lowest.decay_s, radius)
    patch = Patch(0.0, resistance, radius)
    named = [partial for partial in hit.partials if partial.mode is not None]
    return Forecast(patch, target, tuple(_after(partial, head, patch) for partial in named))


def _after(partial: Partial, head: Head, patch: Patch) -> tuple[Partial, float, float]:
    assert partial.mode is not None
    _, decay = damped(head, partial.mode, partial.frequency_hz, partial.decay_s, patch)
    moved, _ = damped(head, partial.mode, 1.0, FALL, Patch(GRAM, 0.0, patch.radius))
    return partial, decay, 1200.0 * math.log2(moved)


def forecast_lines(hit: HitReading, head: Head) -> tuple[str, ...]:
    """The forecast as one line of advice, or none."""
    found = forecast(hit, head)
    if found is None:
        return ()
    told = "; ".join(
        f"{partial.frequency_hz:.0f} Hz ({partial.mode[0]},{partial.mode[1]}) {partial.decay_s:.2f} to {decay:.2f} s "
        f"({100.0 * (decay / partial.decay_s - 1.0):+z.0f} %)"
        for partial, decay, _ in found.partials
        if partial.mode is not None
    )
    dearest = min(cents for _, _, cents in found.partials)
    return (
        f"Forecast for a small piece of tape at {place_told(found.patch.radius, head)} that brings "
        f"{found.target.frequency_hz:.0f} Hz down to the lowest's length: {told}. Each gram of it lowers a pitch by up "
        f"to {-dearest:.1f} cents (film of {head.surface_density:.3f} kg/m2, first order). Compare before and after "
        "with --compare.",
    )
