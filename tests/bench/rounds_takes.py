"""Rounds whose every reading is a take: finite-element drums, sounded and recorded by code that is not the package's.

Used by rounds.py of this folder. `make_takes` makes the head, its modes and the recording of the level `room`; here are
the hand that taps, the reading of the take by the package, the taps in the middle between moves and what the package
makes of them, and the other player's ear.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import fem_drum as drums
import make_takes as maker
import numpy as np
from numpy.typing import NDArray

from drumtune.advice.evenness import read_head
from drumtune.advice.made import MIDDLE_TAPS, computed_line, hear_moves, missing_turns
from drumtune.advice.response import Learned
from drumtune.advice.rounds import Kept, kept, taps_per_rod
from drumtune.advice.turns import Move
from drumtune.dsp.by_rod import group_taps
from drumtune.dsp.taps import find_taps
from drumtune.errors import TakeError
from drumtune.physics.rods import harmonic_projectors

Floats = NDArray[np.float64]
HAND = 0.004
"""Metres by which taps miss their marks each way, standard deviation: the hand of `drumtune synth`."""
MIDDLE_HAND = 0.008
"""The same for taps in the middle, which has no mark."""
LINE_TAPS = 3
"""Taps at each rod that the other player listens to."""
NEAR = 0.08
"""Share of the frequency of (1,1) round it in which he looks for the strongest line."""


@dataclass
class Takes:
    """Takes of one hidden drum, round after round, the microphone and all the head's own draws kept.

    `rough` makes the taps scatter by 0.055 rad and 2.5 % of the radius, as in the other takes of `make_takes`. `errors`
    gathers (rods, rms error at a rod by harmonic, deviation stated) of every reading, `checks` the turns that were
    missing by the taps in the middle.
    """

    hidden: Any
    seed: int
    rough: bool = False
    taken: int = 0
    errors: list[tuple[list[float], list[float]]] = field(default_factory=list)
    checks: list[float] = field(default_factory=list)

    def record(self, per_rod: int) -> tuple[Floats, Floats, int]:
        """Samples, the true starts of the taps in s, and the rate."""
        hidden = self.hidden
        head = hidden.drum.head
        mil = head.thickness / drums.MIL
        take = maker.Take("room", hidden.drum.rods, per_rod, head.radius, mil, 0.0, 0.0, hidden.rim)
        fixed = np.random.default_rng([self.seed, 7])
        rng = np.random.default_rng([self.seed, 8, self.taken])
        self.taken += 1
        mean = float(hidden.cents.mean())
        pulls = drums.Pulls(hidden.cents - mean, take.rim, 1.0 if take.rim == "spring" else 0.0)
        lowest = hidden.frequency / 1.6 * 2.0 ** (mean / 1200.0)
        sounding = drums.head(fixed, drums.Film.of_mil(take.radius, mil), pulls, lowest, sides=1.6)
        places = maker.draw_places(rng, take) if self.rough else draw_places(rng, take)
        ringing = maker.voices(rng, take, sounding, places, maker.draw_microphone(fixed, take.radius))
        marks = maker.draw_marks(rng, places.rod)
        dry, _ = maker.play(rng, take, ringing, marks)
        return np.clip(maker.record(rng, take, dry), -1.0, 1.0), marks, take.rate

    def hear(self, turned: Floats | None) -> tuple[Kept, str] | None:
        """One round's reading by the package and its verdict, or None where the take allowed no answer."""
        rods = self.hidden.drum.rods
        per_rod = taps_per_rod(rods)
        sound, _, rate = self.record(per_rod)
        try:
            taps = group_taps(find_taps(sound, rate, per_rod * rods).taps, rods, per_rod)
            reading = read_head(sound, rate, taps, self.hidden.drum)
        except TakeError as failure:
            print(f"    no answer: {failure}", flush=True)
            return None
        seen = kept(reading, turned, said=True)
        parts = harmonic_projectors(rods)[1:]
        off = seen.pulls - (self.hidden.cents - self.hidden.cents.mean())
        missed = [float(np.sqrt(np.mean((part @ off) ** 2))) for part in parts]
        stated = [float(np.sqrt(np.trace(part @ seen.covariance) / rods)) for part in parts]
        self.errors.append((missed, stated))
        return seen, reading.verdict

    def check(self, states: Floats, moves: tuple[Move, ...], known: Learned, kept: Kept) -> Floats:
        """Turns that put the rods right, by taps in the middle before the first move and after each."""
        sound, rate = self.record_middle(states)
        rods, count = self.hidden.drum.rods, MIDDLE_TAPS * len(states)
        try:
            onsets = np.array([tap.onset for tap in find_taps(sound, rate, count).taps])
            if onsets.size != count:
                return np.zeros(rods)
            line = computed_line(self.hidden.drum, kept.tension)
            _, made = hear_moves(sound, rate, onsets, moves, known.response, line)
        except TakeError as failure:
            print(f"    moves not heard: {failure}", flush=True)
            return np.zeros(rods)
        right = missing_turns(made, rods)
        self.checks += [float(turn) for turn in right[right != 0.0]]
        return right

    def record_middle(self, states: Floats, level: str = "room") -> tuple[Floats, int]:
        """Samples of a few taps in the middle of the head in each of its states (cents at the rods), and the rate."""
        hidden = self.hidden
        mil = hidden.drum.head.thickness / drums.MIL
        take = maker.Take(level, hidden.drum.rods, 1, hidden.drum.head.radius, mil, 0.0, 0.0, hidden.rim)
        rng = np.random.default_rng([self.seed, 9, self.taken])
        film = drums.Film.of_mil(take.radius, mil)
        heads = []
        for cents in states:
            pulls = drums.Pulls(cents - cents.mean(), take.rim, 1.0 if take.rim == "spring" else 0.0)
            lowest = hidden.frequency / 1.6 * float(np.sqrt(np.exp2(cents / 600.0).mean()))
            same = np.random.default_rng([self.seed, 7])
            heads.append(drums.head(same, film, pulls, lowest, sides=1.6, of_even=True))
            microphone = maker.draw_microphone(same, take.radius)
        marks = 0.4 + 1.5 * np.arange(len(states) * MIDDLE_TAPS)
        ringing = []
        for head in heads:
            x, y = MIDDLE_HAND / take.radius * rng.standard_normal((2, MIDDLE_TAPS))
            places = maker.Places(np.hypot(x, y), np.arctan2(y, x), np.zeros(MIDDLE_TAPS, dtype=int))
            one = maker.voices(np.random.default_rng([self.seed, 10]), take, head, places, microphone)
            ringing += [maker.Voices(one.frequency, one.decay, amplitude[None]) for amplitude in one.amplitude]
        dry, _ = maker.play_each(rng, take, ringing, marks)
        return np.clip(maker.record(rng, take, dry), -1.0, 1.0), take.rate

    def lines(self) -> Floats:
        """Strongest line near (1,1) at each rod, Hz, median of its taps; when he tapped and (1,1) are told."""
        sound, marks, rate = self.record(LINE_TAPS)
        middle = self.hidden.frequency * 2.0 ** (float(self.hidden.cents.mean()) / 1200.0)
        frequency = np.fft.rfftfreq(1 << 18, 1.0 / rate)
        near = np.abs(frequency / middle - 1.0) < NEAR
        found = []
        for mark in marks:
            part = sound[int(mark * rate) : int((mark + 0.6) * rate)]
            spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size), 1 << 18))
            found.append(frequency[near][spectrum[near].argmax()])
        return np.median(np.reshape(found, (self.hidden.drum.rods, LINE_TAPS)), axis=1)


def draw_places(rng: np.random.Generator, take: maker.Take) -> maker.Places:
    """Where taps land that miss their marks by `HAND` both ways."""
    rod = np.repeat(np.arange(take.rods), take.per_rod)
    mark = take.radius - maker.TAP_DISTANCE
    r = np.clip((mark + HAND * rng.standard_normal(rod.size)) / take.radius, 0.2, 0.96)
    return maker.Places(r, 2.0 * np.pi * rod / take.rods + HAND / mark * rng.standard_normal(rod.size), rod)
