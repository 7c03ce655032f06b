"""Chapters on one head: its modes, and what uneven rods do to them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drumtune.advice.head_map import HeadMap, head_map
from drumtune.advice.lesson.subject import (
    RATE,
    Array,
    Chapter,
    Clip,
    Facts,
    Question,
    Subject,
    generator,
    heard_from,
    level,
    pitch,
    sine,
)  # fmt: skip
from drumtune.advice.reading import ModeReading, Reading, RodReading
from drumtune.advice.turns import EVEN_SPREAD
from drumtune.notes import note_name
from drumtune.physics import modes as basis
from drumtune.physics import synthesis
from drumtune.physics.hearing import beats_heard
from drumtune.physics.membrane import displacement
from drumtune.physics.synthesis import SoundingHead

SHOWN = ((0, 1), (1, 1), (2, 1), (0, 2), (3, 1), (1, 2))
"""Modes that are shown and heard one by one."""
FALL = 3.0 * math.log(10.0)
"""T60 times the decay rate."""
COUNTABLE = (1.2, 7.0)
"""Beats a second that an ear can count or nearly so (ours)."""
SPREAD = (60.0, 120.0)
"""Spread of the uneven heads of a lesson, cents."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A mode seen from above on a polar grid, arrays (R, A): x, y of the unit disc, rod 1 on top; height, up to 1."""

    x: Array
    y: Array
    height: Array


@dataclass(frozen=True, slots=True)
class Mode:
    """One mode of the even head: Hz, T60 in s, and its shape."""

    m: int
    n: int
    frequency: float
    decay: float
    shape: Shape

    @property
    def name(self) -> str:
        """Its name, such as (1,1)."""
        return f"({self.m},{self.n})"


@dataclass(frozen=True, slots=True)
class Beating:
    """Two decaying lines added up: times (s), their sum and its envelope, shape (n,); beats a second, first dip (s)."""

    times: Array
    sum: Array
    envelope: Array
    rate: float
    dip: float


@dataclass(frozen=True, slots=True)
class Uneven:
    """What the pictures of an uneven head show: the reading that would be right, seen from above, and its (1,1) pair.

    `pair` in Hz, `decay` its T60 in s, `beating` the pair together.
    """

    reading: Reading
    above: HeadMap
    pair: tuple[float, float]
    decay: float
    beating: Beating


def even_modes(subject: Subject) -> tuple[Mode, ...]:
    """The modes shown, of the top head alone and even."""
    head = _sounding(subject, np.zeros(subject.drum.rods))
    owner = np.argmax(head.vectors**2, axis=0)
    base = basis.basis()
    found = []
    for m, n in SHOWN:
        place = int(np.flatnonzero((base.m[owner] == m) & (base.n[owner] == n))[0])
        found.append(Mode(m, n, float(head.frequencies[place]), FALL / float(head.decay_rates[place]), shape_of(m, n)))
    return tuple(found)


def shape_of(m: int, n: int) -> Shape:
    """Mode (m,n) of the even head, seen from above."""
    r, theta = np.meshgrid(np.linspace(0.0, 1.0, 60), np.linspace(0.0, 2.0 * np.pi, 181), indexing="ij")
    height = displacement(m, n, r, theta)
    return Shape(r * np.sin(theta), r * np.cos(theta), height / np.abs(height).max())


def beating(low: float, high: float, decay: float) -> Beating:
    """Two lines (Hz) of one T60 (s), of equal strength and in step at first; at most 1.5 s of them."""
    times = np.linspace(0.0, min(1.5, 1.2 * decay), 6000)
    fall = np.exp(-FALL / decay * times)
    both = 0.5 * fall * (np.sin(2.0 * np.pi * low * times) + np.sin(2.0 * np.pi * high * times))
    rate = high - low
    return Beating(times, both, fall * np.abs(np.cos(np.pi * rate * times)), rate, 0.5 / rate)


def _sounding(subject: Subject, pulls: Array) -> SoundingHead:
    return synthesis.sounding_head(subject.drum, pulls, subject.single_tension)


def tapped(subject: Subject, head: SoundingHead, angle: float, seconds: float) -> Array:
    """Sound of a tap at the usual distance from the rim, at an angle."""
    heard = heard_from(head, subject.drum.head.radius)
    place = (subject.drum.tap_radius, angle)
    return synthesis.tap(head, heard, place, round(seconds * RATE), RATE)


def modes(subject: Subject, seed: int) -> Chapter:
    """Chapter on the modes of a head."""
    rng = generator(seed, 1)
    found = even_modes(subject)
    alone = [sine([(mode.frequency, mode.decay)], 1.8) for mode in found]
    clips = [
        Clip(f"mode-{mode.m}-{mode.n}", f"{mode.name} alone, {mode.frequency:.0f} Hz", sound)
        for mode, sound in zip(found, level(alone, 0.4), strict=True)
    ]
    tap = level([tapped(subject, _sounding(subject, np.zeros(subject.drum.rods)), 0.4, 1.8)])[0]
    clips.append(Clip("mode-all", "a tap near the rim: all of them at once", tap))
    right = int(rng.integers(len(found)))
    longest, shortest = max(found, key=lambda mode: mode.decay), min(found, key=lambda mode: mode.decay)
    low = found[0]
    text = (
        "A struck head moves in patterns, its modes, each with a pitch and a decay of its own. (m,n) has m "
        "lines across "
        "and n circles that stand still, the rim counted. This head, open to both sides, sounds "
        f"{pitch(low.frequency)} "
        f"as {low.name} and {pitch(found[1].frequency)} as {found[1].name}: a ratio of "
        f"{found[1].frequency / low.frequency:.2f}, where a string would have 2.00. Without air it would be 1.59; the "
        "air that moves with the film holds the low modes back most.",
        f"{longest.name} rings longest here, {longest.decay:.2f} s to fall by 60 dB; {shortest.name} dies first, in "
        f"{shortest.decay:.2f} "
        f"s{', for a (0,n) mode pumps air as a whole and so sends most sound out' * (shortest.m == 0)}.",
        "Tap in the middle and only the (0,n) modes answer; tap near the rim and (1,1), the one that tells of rods, "
        "is strong.",
    )
    rows = tuple(
        (mode.name, f"{mode.frequency:.1f}", f"{mode.frequency / low.frequency:.3f}", f"{mode.decay:.2f}")
        for mode in found
    )
    question = Question(
        "Which mode is this?",
        (Clip("question-modes", "one mode alone", clips[right].samples),),
        tuple(mode.name for mode in found),
        right,
        f"{found[right].name}, {pitch(found[right].frequency)}, T60 {found[right].decay:.2f} s.",
    )
    facts = Facts(("mode", "Hz", "over (0,1)", "T60, s"), rows)
    return Chapter("modes", "The modes of a head", text, (facts,), tuple(clips), question, found)


def uneven(subject: Subject, seed: int) -> Chapter:
    """Chapter on even against uneven rods."""
    rng = generator(seed, 2)
    pulls, head = _beating_head(subject, rng)
    reading = true_reading(subject, pulls, head)
    low, high = (float(f) for f in head.frequencies[1:3])
    decay = FALL / float(head.decay_rates[1:3].mean())
    sounds = level([
        tapped(subject, _sounding(subject, np.zeros(subject.drum.rods)), 0.4, 1.8),
        *(tapped(subject, head, angle, 1.4) for angle in subject.drum.rod_angles),
    ])  # fmt: skip
    pair_sound = level([sine([(low, decay), (high, decay)], 2.4)], 0.4)[0]
    clips = (
        Clip("uneven-none", "the head even, tapped near a rod", sounds[0]),
        Clip("uneven-pair", "the (1,1) pair of the uneven head alone: it beats", pair_sound),
        *(Clip(f"uneven-rod-{i}", f"tapped at rod {i}", sound) for i, sound in enumerate(sounds[1:], start=1)),
    )
    heard = [rod.heard_hz for rod in reading.rods]
    span = 1200.0 * math.log2(max(heard) / min(heard))
    tight = int(np.argmax(pulls)) + 1
    highest = int(np.argmax(heard)) + 1
    text = (
        f"Now the rods pull unevenly, {np.ptp(pulls):.0f} cents from the slackest to the tightest (rod "
        f"{tight}). On the "
        f"even head (1,1) is one pitch; here it parts into two, {low:.1f} and {high:.1f} Hz, whose lines that stand "
        f"still are fixed to the tight and the slack axis. Together they beat {high - low:.1f} times a second.",
        f"At each rod a listener hears some mixture of the two. Over this head what is heard goes through {span:.0f} "
        f"cents while the pull goes through {np.ptp(pulls):.0f}; it is highest at rod {highest}, and the tightest is "
        f"rod {tight}. That is why the program looks at all taps together instead of trusting the pitch at a rod.",
        "Only what is tight on two opposite sides parts the pair; one side tight alone does not, to first "
        "order, and no "
        "beat tells of it.",
    )
    rows = tuple(
        (str(rod.rod), f"{rod.pull_cents:+.0f}", f"{rod.heard_hz:.1f}", "{} {:+.0f}".format(*note_name(rod.heard_hz)))
        for rod in reading.rods
    )
    facts = Facts(("rod", "pull, cents", "heard there, Hz", "note"), rows)
    shown = Uneven(reading, head_map(reading), (low, high), decay, beating(low, high, decay))
    return Chapter("uneven", "Even against uneven", text, (facts,), clips, _beat_question(subject, rng), shown)


def _beating_head(subject: Subject, rng: np.random.Generator) -> tuple[Array, SoundingHead]:
    """Pulls and modes of a head whose (1,1) pair beats countably; the last one tried where none does."""
    pulls, head = np.zeros(subject.drum.rods), _sounding(subject, np.zeros(subject.drum.rods))
    for _ in range(30):
        pulls = _pulls(subject, rng)
        head = _sounding(subject, pulls)
        split = float(head.frequencies[2] - head.frequencies[1])
        decay = FALL / float(head.decay_rates[1:3].mean())
        if COUNTABLE[0] < split < COUNTABLE[1] and beats_heard(split, decay):
            break
    return pulls, head


def _pulls(subject: Subject, rng: np.random.Generator) -> Array:
    """Pulls of a head a hand has left uneven: mostly two-sided, with all else mixed in, mean zero."""
    angles = subject.drum.rod_angles
    values = rng.uniform(0.8, 1.6) * np.cos(2.0 * (angles - rng.uniform(0.0, 2.0 * np.pi)))
    values = values + 0.4 * np.cos(angles - rng.uniform(0.0, 2.0 * np.pi)) + 0.3 * rng.standard_normal(angles.size)
    values = values * rng.uniform(*SPREAD) / np.ptp(values)
    return np.asarray(values - values.mean())


def true_reading(subject: Subject, pulls: Array, head: SoundingHead) -> Reading:
    """The reading that would be exactly right for a head of known pulls: no deviations, no taps."""
    drum = subject.drum
    gains = np.abs(heard_from(head, drum.head.radius))
    rods = tuple(
        RodReading(i + 1, float(pulls[i]), 0.0, *_heard(head, gains, drum.tap_radius, angle))
        for i, angle in enumerate(drum.rod_angles)
    )
    pair = tuple(ModeReading(1, 1, float(head.frequencies[k]), 0.0, FALL / float(head.decay_rates[k])) for k in (1, 2))
    spread = float(np.ptp(pulls))
    return Reading(
        drum, rods, pair, np.zeros((drum.rods, drum.rods)), subject.single_tension, synthesis.field_of(pulls), 0.5,
        spread, 0.0, "even" if spread <= EVEN_SPREAD else "uneven", (), 0.0,
    )  # fmt: skip


def _heard(
    head: SoundingHead, gains: Array, radius: float, angle: float
) -> tuple[float, int, tuple[tuple[float, float], ...]]:
    """Pitch heard at a place, no taps, and no lines: energy-weighted mean of the (1,1) pair there."""
    shape = basis.shapes(np.array([radius]), np.array([angle]))[0][0] @ head.vectors[:, 1:3]
    energy = (gains[1:3] * shape) ** 2 / head.decay_rates[1:3]
    return float(np.exp(energy @ np.log(head.frequencies[1:3]) / energy.sum())), 0, ()


def _beat_question(subject: Subject, rng: np.random.Generator) -> Question:
    """Ask how fast the pair of another head beats."""
    _, head = _beating_head(subject, rng)
    low, high = (float(f) for f in head.frequencies[1:3])
    decay = FALL / float(head.decay_rates[1:3].mean())
    split = high - low
    choices = [split, 0.5 * split, 2.0 * split]
    order = rng.permutation(3)
    return Question(
        "This is the (1,1) pair of another head. How many times a second does it beat?",
        (Clip("question-uneven", "a pair that beats", level([sine([(low, decay), (high, decay)], 2.4)], 0.4)[0]),),
        tuple(f"{choices[k]:.1f}" for k in order),
        int(np.flatnonzero(order == 0)[0]),
        f"{high:.2f} - {low:.2f} Hz = {split:.1f} beats a second; the first dip comes after {0.5 / split:.2f} s.",
    )
