"""Words and values that all chapters of a lesson share: the drum, sounds, questions, chapters.

SI units; sounds are one channel at `RATE`, full scale 1. Everything random comes from one generator, seeded by the
lesson's seed and the chapter, so that a chapter does not hang on those before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice import pair
from drumtune.drum import Air, Drum
from drumtune.errors import StandError
from drumtune.notes import note_name
from drumtune.physics import air as loaded
from drumtune.physics import film, held_head, synthesis
from drumtune.physics.synthesis import SoundingHead
from drumtune.physics.two_heads import BOTTOM, TwoHeads

Array = NDArray[np.float64]

RATE = 44100
PEAK = 0.5
"""Loudest sample of a clip, or of a group of clips that are to be compared, full scale 1."""
FADE = 0.05
"""Clips end in a fade of so many seconds."""
MICROPHONE = (0.11, 0.07, 0.16)
"""Where single heads are heard from: x, y, height in m from the centre."""


@dataclass(frozen=True, slots=True)
class Subject:
    """The drum a lesson is about.

    Parameters
    ----------
    name
        What it is called on the page.
    drum
        Top head with its rods.
    shell
        Both heads on the shell.
    top_hz
        Pitch near a rod of the top head with the bottom muted, Hz.
    semitones
        How far the bottom head's pitch stands over it.
    """

    name: str
    drum: Drum
    shell: TwoHeads
    top_hz: float
    semitones: float

    @property
    def tuning(self) -> pair.Tuning:
        """Both heads as they are tuned."""
        return pair.tune(self.shell, self.top_hz)

    @property
    def bottom_tension(self) -> float:
        """Tension of the bottom head, N/m."""
        pitch = self.top_hz * 2.0 ** (self.semitones / 12.0)
        return float(held_head.held_tension(self.shell, pitch, 1, BOTTOM))

    @property
    def single_tension(self) -> float:
        """Tension at which the top head alone, open to both sides, sounds `top_hz` near a rod, N/m."""
        return float(loaded.tension(self.drum.head, self.top_hz, 1, 1, air=Air()))


@dataclass(frozen=True, slots=True)
class Clip:
    """A sound: its file's name without ending, what it is in words, its samples."""

    name: str
    label: str
    samples: Array


@dataclass(frozen=True, slots=True)
class Question:
    """A listening question: what is asked, the sounds, choices, the place of the right one, and why it is right."""

    ask: str
    clips: tuple[Clip, ...]
    choices: tuple[str, ...]
    answer: int
    why: str


@dataclass(frozen=True, slots=True)
class Facts:
    """A small table."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Chapter:
    """One chapter: key (for names of files), title, paragraphs, tables, sounds, question, what its pictures show."""

    key: str
    title: str
    text: tuple[str, ...]
    facts: tuple[Facts, ...]
    clips: tuple[Clip, ...]
    question: Question
    shown: object


def generator(seed: int, chapter: int) -> np.random.Generator:
    """Random numbers of one chapter of the lesson with this seed."""
    return np.random.default_rng([seed, chapter])


def check(subject: Subject) -> None:
    """Refuse a drum of which not enough can be shown.

    Raises
    ------
    StandError
        If a head cannot be so tuned, or not safely.
    """
    if past_safe(subject, subject.tuning.top_tension):
        raise StandError(
            f"the top head at {subject.top_hz:.4g} Hz is past the safe stress of its film: tune it lower, or give it a "
            "thicker film"
        )
    if not pair.scan(subject.tuning, [subject.semitones]).usable[0]:
        raise StandError(
            f"no bottom head can stand {subject.semitones:+g} semitones from {subject.top_hz:.4g} Hz on this drum: "
            "check pitch, sizes and films"
        )


def past_safe(subject: Subject, tension: float) -> bool:
    """Whether a tension in N/m takes the top head's film past its safe stress; not known of a head only weighed."""
    thickness = subject.shell.top.thickness
    return bool(thickness and film.safe_share(film.stress(tension, thickness)) >= 1.0)


def level(sounds: Sequence[Array], peak: float = PEAK) -> list[Array]:
    """Sounds under one gain, the loudest at `peak`, each ending in a fade."""
    gain = peak / max(float(np.abs(sound).max()) for sound in sounds)
    return [gain * _faded(sound) for sound in sounds]


def _faded(sound: Array) -> Array:
    count = min(round(FADE * RATE), sound.size)
    result = sound.copy()
    result[result.size - count :] *= 0.5 * (1.0 + np.cos(np.pi * np.arange(1, count + 1) / count))
    return result


def sine(lines: Sequence[tuple[float, float]], seconds: float) -> Array:
    """Damped sines of equal strength at (Hz, T60 in s), from rest."""
    frequency, decay = np.array(lines, float).T
    rates = 3.0 * np.log(10.0) / decay
    return synthesis.ring_out(frequency, rates, np.full(frequency.size, -1j), round(seconds * RATE), RATE)


def pitch(hertz: float) -> str:
    """A frequency with its note: '220.0 Hz (A3)' or '223.0 Hz (A3 +23 cents)'."""
    note, off = note_name(hertz)
    return f"{hertz:.1f} Hz ({note})" if abs(off) < 1.0 else f"{hertz:.1f} Hz ({note} {off:+z.0f} cents)"


def heard_from(head: SoundingHead, radius: float) -> NDArray[np.complex128]:
    """Gains of a head's modes at the lesson's microphone, which stands nearer to a smaller head."""
    x, y, height = (value * radius / 0.1524 for value in MICROPHONE)
    return synthesis.gains(head, radius, (x, y, height))
