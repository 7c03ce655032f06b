"""Rounds whose every reading is a take: finite-element drums, sounded and recorded by code that is not the package's.

Used by rounds.py of this folder. `make_takes` makes the head, its modes and the recording; here are
the hand that taps, the reading of the take by the package, the taps at each rod just turned and what the package makes
of them, and the other player's ear.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import fem_drum as drums
import make_takes as maker
import numpy as np
from numpy.typing import NDArray

from drumtune.advice.evenness import read_head
from drumtune.advice.explained import explain, later_taps
from drumtune.advice.made import STOP_TAPS, Made, hear_moves, missing_turns
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
STOP_PAUSE, STOP_GAP = 4.0, 1.2
"""Seconds from the last tap to the first after a move, and between the taps there."""
LINE_TAPS = 3
"""Taps at each rod that the other player listens to."""
NEAR = 0.08
"""Share of the frequency of (1,1) round it in which he looks for the strongest line."""


@dataclass
class Takes:
    """Takes of one hidden drum, round after round, the microphone and all the head's own draws kept.

    `level` is the kind of recording. `rough` makes the taps scatter by 0.055 rad and 2.5 % of the radius, as in the
    other takes of `make_takes`. `errors` gathers (rods, rms error at a rod by harmonic, deviation stated) of every
    reading, `checks` the turns that were missing by the taps after the moves. `dry` is the last take without room and
    noise, `marks` when its taps start.
    """

    hidden: Any
    seed: int
    rough: bool = False
    level: str = "room"
    taken: int = 0
    errors: list[tuple[list[float], list[float]]] = field(default_factory=list)
    checks: list[float] = field(default_factory=list)
    dry: Floats = field(init=False)
    marks: Floats = field(init=False)

    def record(self, per_rod: int) -> tuple[Floats, Floats, int]:
        """Samples, the true starts of the taps in s, and the rate."""
        take = self.take(per_rod)
        rng = np.random.default_rng([self.seed, 8, self.taken])
        self.taken += 1
        places = maker.draw_places(rng, take) if self.rough else draw_places(rng, take)
        ringing = self.ringing(take, self.hidden.cents, places)
        self.marks = maker.draw_marks(rng, places.rod)
        self.dry, _ = maker.play_each(rng, take, ringing, self.marks)
        return self.recorded(take, self.dry), self.marks, take.rate

    def take(self, per_rod: int) -> maker.Take:
        """What is asked of a take of this drum."""
        head = self.hidden.drum.head
        mil = head.thickness / drums.MIL
        return maker.Take(self.level, self.hidden.drum.rods, per_rod, head.radius, mil, 0.0, 0.0, self.hidden.rim)

    def ringing(self, take: maker.Take, cents: Floats, places: maker.Places) -> list[maker.Voices]:
        """What rings after each tap on the head with these pitches at the rods."""
        pulls = drums.Pulls(cents - cents.mean(), take.rim, 1.0 if take.rim == "spring" else 0.0)
        lowest = self.hidden.frequency / 1.6 * float(np.sqrt(np.exp2(cents / 600.0).mean()))
        same = np.random.default_rng([self.seed, 7])
        film = drums.Film.of_mil(take.radius, take.mil)
        head = drums.head(same, film, pulls, lowest, sides=1.6, of_even=True)
        microphone = maker.draw_microphone(same, take.radius)
        one = maker.voices(np.random.default_rng([self.seed, 10]), take, head, places, microphone)
        return [maker.Voices(one.frequency, one.decay, amplitude[None]) for amplitude in one.amplitude]

    def recorded(self, take: maker.Take, dry: Floats) -> Floats:
        """The recording of dry sound of the last take, or of that and what came after it, in the same room."""
        rng = np.random.default_rng([self.seed, 11, self.taken])
        return np.clip(maker.record(rng, take, dry), -1.0, 1.0)

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

    def check(self, states: Floats, moves: tuple[Move, ...], known: Learned) -> Floats:
        """Turns that put the rods right, by taps at each rod just turned."""
        rods = self.hidden.drum.rods
        try:
            made = self.hear_after(states, moves, known)
        except TakeError as failure:
            print(f"    moves not heard: {failure}", flush=True)
            return np.zeros(rods)
        right = missing_turns(made, rods)
        self.checks += [float(turn) for turn in right[right != 0.0]]
        return right

    def hear_after(self, states: Floats, moves: tuple[Move, ...], known: Learned) -> tuple[Made, ...]:
        """What the package makes of moves, the last take going on: `states` as of `record_after`."""
        rods = self.hidden.drum.rods
        sound, rate = self.record_after(states, [move.rod - 1 for move in moves])
        taps = find_taps(sound, rate, self.marks.size + STOP_TAPS * len(moves)).taps
        last = self.marks.size
        if len(taps) != last + STOP_TAPS * len(moves):
            raise TakeError(f"{len(taps)} taps found", reason="count")
        between = round((self.marks[-1] + 0.5 * STOP_PAUSE) * rate)
        explained = explain(sound[:between], rate, group_taps(taps[:last], rods, last // rods), self.hidden.drum)
        after = [taps[last + STOP_TAPS * move : last + STOP_TAPS * (move + 1)] for move in range(len(moves))]
        return hear_moves(explained, later_taps(explained, sound, rate, after), moves, known)

    def record_after(self, states: Floats, rods: list[int]) -> tuple[Floats, int]:
        """The last take and a few taps at each rod just turned, and the rate.

        `states` are the cents at the rods before the first move and after each.
        """
        take = self.take(1)
        rng = np.random.default_rng([self.seed, 9, self.taken])
        mark, ringing = take.radius - maker.TAP_DISTANCE, []
        for cents, rod in zip(states[1:], rods, strict=True):
            r, theta = HAND * rng.standard_normal((2, STOP_TAPS))
            there = np.clip((mark + r) / take.radius, 0.2, 0.96)
            places = maker.Places(there, 2.0 * np.pi * rod / take.rods + theta / mark, np.full(STOP_TAPS, rod))
            ringing += self.ringing(take, cents, places)
        stops, taps = np.divmod(np.arange(len(ringing)), STOP_TAPS)
        marks = STOP_PAUSE - 1.6 + stops * (STOP_PAUSE + (STOP_TAPS - 1) * STOP_GAP) + taps * STOP_GAP
        dry, _ = maker.play_each(rng, take, ringing, marks)
        return self.recorded(take, np.concatenate([self.dry, dry])), take.rate

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
