"""What rings too long, where a piece of tape or gel acts on it, and what one did: damping by perturbation theory.

A small patch of mass m_p (kg) and resistance R (N s/m) at radius r (as a share of the head's) on a mode of shape psi
and modal mass M moves its frequency by -f m_p psi^2 / 2M and adds R psi^2 / 2M to its decay rate: docs/physics.md,
section Damping (Rayleigh, The Theory of Sound, vol. I, sections 88-89 and 102; from memory). Radius in m, decay times
T60 in s.

Does not know the resistance of a piece of tape or gel: it is found from a before and an after (`measured_resistance`),
and then predicts the partials it was not found from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import jv

from drumtune.advice.families import Mode
from drumtune.advice.ring import Beat, Cause, HitReading, Partial, summary
from drumtune.drum import INCH, Air, Head
from drumtune.physics import air as air_load
from drumtune.physics.membrane import bessel_zero, modal_mass

FALL = math.log(1000.0)
"""Nepers in 60 dB: T60 = FALL / decay rate."""
EDGE_PATCH = 0.85
"""Where a piece of tape or gel is usually put, share of the radius: about an inch in (common practice, no source)."""
INNERMOST = 0.5
"""Tape is not put further in than this share of the radius, where the drum is played (common practice, no source)."""
QUARTER_TURN = 0.10
"""Share of its tension a rod's place loses in a quarter turn, as an order of size (ours; it differs from drum to
drum)."""
LONG = 1.25
"""A partial rings longer than the lowest when its decay is so many times that one's."""
LEAST_CHANGE = 5.0
"""A decay that changed by less than so many % is not called changed (strokes differ; JND of decay, ISO 3382-1)."""
_SAME = 0.03
CURES: dict[Cause, str] = {
    "uneven head or two heads": (
        "Likely cause: the head is uneven, or the two heads are tuned too much alike. Mute the other head and strike "
        "again: if it still beats, even this head (drumtune even), else take the bottom head further from the top "
        "(drumtune pair)."
    ),
    "two heads": (
        "Likely cause: the two heads are tuned too much alike: take the bottom head further from the top "
        "(drumtune pair)."
    ),
    "two families": "Two families of modes happen to lie near each other: no fault of the tuning.",
    "another sound": (
        "The lowest mode of a drum has no second line near it: something else rings along, another drum, a wire or the "
        "room. Still it and strike again."
    ),
}
"""What to do about a beat."""


@dataclass(frozen=True, slots=True)
class Patch:
    """A piece of tape or gel: mass (kg), resistance (N s/m), and its radius as a share of the head's (0...1)."""

    mass: float
    resistance: float = 0.0
    radius: float = EDGE_PATCH


def local_motion(m: int, n: int, radius: float) -> float:
    """Mean square motion of mode (m, n) at a radius (share) over its mean square over the whole head, dimensionless.

    (J_m(j r) / J_{m+1}(j))^2, the angle averaged (a pair's two lines share a patch between them). 1 would be a mode
    that moves everywhere alike.
    """
    j = bessel_zero(m, n)
    return float((jv(m, j * radius) / jv(m + 1, j)) ** 2)


def coupling(head: Head, mode: Mode, radius: float, *, air: Air | None = None) -> float:
    """psi^2 / M of a mode at a radius (share), 1/kg, the air's mass on both sides counted.

    For m > 0 the mean over the angle, so each line of the pair has it when the patch lies between their antinodes.
    """
    m, n = mode
    mass = modal_mass(head, m, n) * (1.0 + air_load.load(head, m, n, air=Air() if air is None else air))
    shape = float(jv(m, bessel_zero(m, n) * radius)) ** 2
    return shape * (1.0 if m == 0 else 0.5) / mass


def damped(head: Head, mode: Mode, frequency: float, decay_s: float, patch: Patch) -> tuple[float, float]:
    """Frequency (Hz) and T60 (s) of a mode with a patch on it, to first order.

    Raises
    ------
    ValueError
        If the patch's radius is not within 0...1, or its mass or resistance is negative.
    """
    if not 0.0 <= patch.radius <= 1.0 or patch.mass < 0.0 or patch.resistance < 0.0:
        raise ValueError(f"a patch has a radius of 0 to 1 and no negative mass or resistance, got {patch}")
    per_kilogram = coupling(head, mode, patch.radius)
    moved = frequency * (1.0 - 0.5 * patch.mass * per_kilogram)
    return moved, FALL / (FALL / decay_s + 0.5 * patch.resistance * per_kilogram)


def measured_resistance(head: Head, mode: Mode, before_s: float, after_s: float, radius: float = EDGE_PATCH) -> float:
    """Resistance in N s/m of a patch that took a mode's T60 from `before_s` to `after_s` (0 when it did not fall)."""
    added = FALL / after_s - FALL / before_s
    return max(0.0, 2.0 * added / coupling(head, mode, radius))


@dataclass(frozen=True, slots=True)
class Change:
    """One partial before and after: frequency (Hz) and move (cents), decays (s), change in %, and whether it is sure.

    `sure` when the change of decay is over 5 % and over twice its standard deviation. `mode` as named before.
    """

    before_hz: float
    moved_cents: float
    before_s: float
    after_s: float
    percent: float
    sure: bool
    mode: Mode | None


def compare(before: tuple[HitReading, ...], after: tuple[HitReading, ...]) -> tuple[Change, ...]:
    """What happened to each partial: nearest lines within 3 %, of the hit richest in partials on either side.

    A line of a near pair is compared with one that is no pair's, but such a change is never called sure.
    """
    old_lines, new_lines = (_richest(hits) for hits in (before, after))
    changes, used = [], set()
    for old, old_paired in sorted(old_lines, key=lambda line: -line[0].level_db):
        near = [
            (abs(new.frequency_hz / old.frequency_hz - 1.0), k) for k, (new, _) in enumerate(new_lines) if k not in used
        ]
        away, place = min(near, default=(1.0, -1))
        if away < _SAME:
            used.add(place)
            new, new_paired = new_lines[place]
            changes.append(_change(old, new, alike=old_paired == new_paired))
    return tuple(sorted(changes, key=lambda change: change.before_hz))


def richest_of(hits: tuple[HitReading, ...]) -> HitReading:
    """The hit that shows most partials."""
    return max(hits, key=lambda hit: len(hit.partials))


def _richest(hits: tuple[HitReading, ...]) -> list[tuple[Partial, bool]]:
    """Partials of the hit that shows most, each with whether it is one of a near pair."""
    hit = richest_of(hits)
    paired = set() if hit.lines is None else {place for pair in hit.lines.pairs for place in pair}
    return [(partial, place in paired) for place, partial in enumerate(hit.partials)]


def _change(old: Partial, new: Partial, *, alike: bool) -> Change:
    percent = 100.0 * (new.decay_s / old.decay_s - 1.0)
    sd = 100.0 * math.hypot(old.decay_sd_s / old.decay_s, new.decay_sd_s / new.decay_s)
    moved = 1200.0 * math.log2(new.frequency_hz / old.frequency_hz)
    sure = alike and abs(percent) > max(2.0 * sd, LEAST_CHANGE)
    return Change(old.frequency_hz, moved, old.decay_s, new.decay_s, percent, sure, old.mode)


def advise(hits: tuple[HitReading, ...], changes: tuple[Change, ...] = (), head: Head | None = None) -> tuple[str, ...]:
    """Lines of advice, each with the figures it rests on; places in mm too where the head is known."""
    richest = richest_of(hits)
    lines = [*_after_note(hits), *_long_lines(richest, head)]
    lines += [_beat_line(beat) for beat in richest.beats]
    lines += [_change_line(change) for change in changes]
    return tuple(lines)


def _after_note(hits: tuple[HitReading, ...]) -> list[str]:
    told = summary(hits)
    settled, glide = told["settled_hz"], told["glide_cents"]
    if settled is None or glide is None or abs(glide.median) < 10.0:
        return []
    way = "falls" if glide.median > 0 else "rises"
    return [
        f"After-note: the pitch {way} {abs(glide.median):.0f} cents from 40-120 ms to {settled.median:.1f} Hz. "
        "Softer strokes and a tighter head make it smaller."
    ]


def long_ones(hit: HitReading) -> tuple[Partial, Partial] | None:
    """The partial that rings longest above the lowest strong one, and that lowest one; None where neither is known."""
    known = [p for p in hit.partials if p.level_db > -30.0 and p.decay_sd_s < 0.25 * p.decay_s]
    rest = [p for p in known if p.frequency_hz > (1.0 + 2.0 * _SAME) * known[0].frequency_hz]
    return (max(rest, key=lambda p: p.decay_s), known[0]) if rest else None


def rings_long(longest: Partial, lowest: Partial) -> bool:
    """Whether a partial rings so much longer than the lowest that damping is worth a thought."""
    return longest.decay_s >= LONG * lowest.decay_s


def _long_lines(hit: HitReading, head: Head | None) -> list[str]:
    """Partials that ring longer than the lowest strong one, where damping acts on them, and the other way."""
    found = long_ones(hit)
    if found is None:
        return []
    longest, lowest = found
    if not rings_long(longest, lowest):
        return [
            f"No partial rings much longer than the lowest ({_name(lowest)}, {lowest.decay_s:.2f} s); the longest "
            f"above it is {_name(longest)} with {longest.decay_s:.2f} s. Nothing asks for damping."
        ]
    share = longest.decay_s / lowest.decay_s
    told = f"{_name(longest)} rings longest: {longest.decay_s:.2f} s, {share:.1f} times the lowest ({_name(lowest)}, "
    pair = next((partial for partial in hit.partials if partial.mode == (1, 1)), longest)
    return [f"{told}{lowest.decay_s:.2f} s). {_where(longest.mode, head)}", _slacken(pair, lowest)]


def _name(partial: Partial) -> str:
    where = f" ({partial.mode[0]},{partial.mode[1]})" if partial.mode else ""
    return f"{partial.frequency_hz:.0f} Hz{where}"


def best_place(mode: Mode) -> float:
    """Radius (share) where a patch takes most from a mode beyond what it takes from (0,1); to 1 %.

    By the mean square motions there, each over its own mean over the head.
    """
    radii = np.linspace(INNERMOST, 0.97, 48)
    gain = [local_motion(*mode, radius) - local_motion(0, 1, radius) for radius in radii.tolist()]
    return float(radii[int(np.argmax(gain))])


def place_told(radius: float, head: Head | None) -> str:
    """A place on the head in words: from the middle as a share of the radius, and in from the rim where that is known.

    Examples
    --------
    >>> place_told(0.67, None)
    '67 % of the way from the middle to the rim'
    """
    told = f"{100.0 * radius:.0f} % of the way from the middle to the rim"
    if head is None:
        return told
    inwards = (1.0 - radius) * head.radius
    return f"{told}, {1000.0 * inwards:.0f} mm ({inwards / INCH:.1f} inches) in from the rim"


def _where(mode: Mode | None, head: Head | None) -> str:
    """Where a patch acts most on a mode beyond (0,1), and how much more than on that one."""
    if mode == (0, 1):
        return (
            "Tape or gel near the edge hardly acts on (0,1), which moves most in the middle; the other head and the "
            "air inside set its length."
        )
    m, n = mode if mode is not None else (1, 1)
    place = best_place((m, n))
    times = local_motion(m, n, place) / local_motion(0, 1, place)
    what = f"({m},{n})" if mode is not None else "the next family, (1,1)"
    return (
        f"Put a small piece of tape or gel at {place_told(place, head)}: there it acts {times:.1f} times as much on "
        f"{what} as on (0,1). Begin small: mass lowers the pitch too."
    )


def _slacken(pair: Partial, lowest: Partial) -> str:
    """The trade's other way to shorten ring, and its cost, told at the (1,1) line or what stands for it."""
    drop = 600 * math.log2(1 / (1 - QUARTER_TURN / 8))
    split = 0.5 * 2.0 / 8.0 * QUARTER_TURN
    return (
        "The other way in the trade is to slacken one rod by a quarter turn (common practice, no source). It makes the "
        f"head uneven: if that takes {100 * QUARTER_TURN:.0f} % of the tension at one of eight rods, the (1,1) pair "
        f"parts by about {100 * split:.1f} % ({split * pair.frequency_hz:.1f} Hz at {pair.frequency_hz:.0f} Hz) and "
        f"beats, and the note drops about {drop:.0f} cents from {lowest.frequency_hz:.0f} Hz. Mark where the rod was."
    )


def _beat_line(beat: Beat) -> str:
    heard = "plainly heard" if beat.audible else "hardly heard, it dies before its first null"
    return (
        f"{beat.low_hz:.1f} and {beat.high_hz:.1f} Hz beat {beat.rate_hz:.1f} times a second, {beat.depth_db:.0f} dB "
        f"deep at 0.25 s, {heard}. {CURES[beat.cause]}"
    )


def _change_line(change: Change) -> str:
    mode = f" ({change.mode[0]},{change.mode[1]})" if change.mode else ""
    sure = "" if change.sure else ", within what the two recordings can tell apart"
    return (
        f"{change.before_hz:.0f} Hz{mode}: {change.before_s:.2f} s before, {change.after_s:.2f} s after "
        f"({change.percent:+z.0f} %), pitch {change.moved_cents:+z.0f} cents{sure}."
    )
