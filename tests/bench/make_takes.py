"""Make takes of simulated drums with known truth, for the benchmarks.

    python tests/bench/make_takes.py FOLDER [--seed 1] [--drums 6] [--even 2] [--levels clean,room,phone,muted,open]

Writes FLAC files and truth.json in the form tests/data/taps/README.md describes, with some more keys for diagnosis
(tap positions, rim, decay times, pulses, microphone). The simulator is a finite-element one and shares no code with the
package: `fem_drum` makes the drum, `fem_recording` the sound. The same seed, level and
number make the same take bit for bit. A take costs about 3 s.

Does not know what the package assumes: the air couples the radial orders, rims may be held by springs, the pulse and
the level differ from tap to tap, every position misses its mark.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fem_drum as drums
import fem_recording as sound
import numpy as np
import soundfile as sf
from numpy.typing import NDArray

Floats = NDArray[np.float64]

INCH = 0.0254
TAP_DISTANCE = 0.045
LEVELS = {"clean": -66.7, "room": -55.5, "phone": -48.5, "muted": -58.8, "open": -56.7}
"""Kinds of recording and the rms level of their noise, dB re full scale."""
HUM = {"room": 0.0016, "phone": 0.0032}
GLIDE_CENTS = 15.0
"""Rise of pitch at the loudest tap, in all but the clean takes."""
RADIUS_SCATTER, ANGLE_SCATTER = 0.025, 0.055
"""Standard deviations of where a tap lands, as a share of the radius and in radians."""
SIZES_IN = {5: (8, 10), 6: (8, 10, 12, 13), 8: (12, 13, 14, 16), 10: (14, 16, 18), 12: (16, 18)}
MILS = (7.0, 7.5, 10.0, 12.0, 14.0)
ROUND = (6, 8, 10, 8, 5, 12)
RIMS: tuple[drums.Rim, ...] = ("held", "sliding", "spring")


@dataclass(frozen=True, slots=True)
class Take:
    """What is asked of a take."""

    level: str
    rods: int
    per_rod: int
    radius: float
    mil: float
    spread: float
    lowest: float
    rim: drums.Rim
    rate: int = 48000


@dataclass(frozen=True, slots=True)
class Places:
    """Where the taps landed: radius as a share of the head's and angle in radians, and the rod meant, each (taps,)."""

    r: Floats
    theta: Floats
    rod: NDArray[np.int64]


def draw_pulls(rng: np.random.Generator, rods: int, spread: float) -> Floats:
    """Normal pulls in cents, mean 0, highest less lowest `spread`."""
    cents = rng.standard_normal(rods)
    cents -= cents.mean()
    scaled: Floats = cents * spread / np.ptp(cents)
    return scaled


def draw_places(rng: np.random.Generator, take: Take) -> Places:
    rod = np.repeat(np.arange(take.rods), take.per_rod)
    nominal = (take.radius - TAP_DISTANCE) / take.radius
    r = np.clip(nominal + RADIUS_SCATTER * rng.standard_normal(len(rod)), 0.2, 0.96)
    return Places(r, 2.0 * np.pi * rod / take.rods + ANGLE_SCATTER * rng.standard_normal(len(rod)), rod)


def draw_marks(rng: np.random.Generator, rod: NDArray[np.int64]) -> Floats:
    """Start of every tap: about a second apart, half a second more on going to the next rod."""
    pauses = rng.uniform(1.0, 1.35, len(rod) - 1) + rng.uniform(0.35, 0.45, len(rod) - 1) * (np.diff(rod) > 0)
    marks: Floats = 0.35 + np.r_[0.0, np.cumsum(pauses)]
    return marks


def draw_microphone(rng: np.random.Generator, radius: float) -> Floats:
    """Near the head and off its middle, as a share of the radius, to x, y, z in m."""
    around, out = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.4, 0.9)
    return radius * np.array([out * np.cos(around), out * np.sin(around), rng.uniform(0.3, 0.75)])


def gains(rng: np.random.Generator, head: drums.Sounding, radius: float, microphone: Floats) -> NDArray[np.complex128]:
    """Pressure per modal amplitude; what the two faces send out nearly cancels for (0,n) in a drum open below."""
    plain = drums.pressure_gains(head, radius, microphone, float(np.linalg.norm(microphone)))
    round_share = head.share[drums.families().of(0)].sum(0)
    kept: NDArray[np.complex128] = plain * (1.0 - rng.uniform(0.55, 0.8) * round_share)
    return kept


@dataclass(frozen=True, slots=True)
class Voices:
    """Everything that rings: frequency, decay rate (M,), and complex amplitude per tap (taps, M)."""

    frequency: Floats
    decay: Floats
    amplitude: NDArray[np.complex128]


def voices(rng: np.random.Generator, take: Take, head: drums.Sounding, places: Places, microphone: Floats) -> Voices:
    """What each tap sets ringing, with the finger or the other head where the level has one."""
    value, _, _ = drums.mesh().probe(places.r, places.theta)
    at_taps, heard = value @ head.shape, gains(rng, head, take.radius, microphone)
    frequency, decay = head.frequency, head.decay
    if take.level == "muted":
        damped = drums.with_finger(rng, head)
        frequency, decay = damped.frequency, damped.decay
    if take.level == "open":
        other = draw_other_head(rng, take, float(head.frequency[0]))
        pair = drums.coupled(rng, head, other)
        below = microphone + np.array([0.0, 0.0, rng.uniform(0.15, 0.35)])
        far = rng.uniform(0.2, 0.5) * drums.pressure_gains(other, take.radius, below, float(np.linalg.norm(microphone)))
        at_taps, heard = at_taps @ pair.struck, heard @ pair.struck - far @ pair.other
        frequency, decay = pair.frequency, pair.decay
    return Voices(frequency, decay, at_taps * heard / (2j * np.pi * frequency))


def draw_other_head(rng: np.random.Generator, take: Take, lowest: float) -> drums.Sounding:
    """The resonant head: mostly higher than the struck one, somewhat uneven."""
    interval = rng.uniform(1.04, 1.45) if rng.random() < 0.75 else rng.uniform(0.75, 0.96)
    pulls = drums.Pulls(draw_pulls(rng, take.rods, rng.uniform(20.0, 70.0)))
    film = drums.Film.of_mil(take.radius, float(rng.choice([3.0, 7.0, 10.0])))
    return drums.head(rng, film, pulls, lowest * interval, rng.uniform(1.1, 2.0))


def play(rng: np.random.Generator, take: Take, ringing: Voices, marks: Floats) -> tuple[Floats, Floats]:
    """The dry take, peak 0.8, and the pulse lengths of its taps; a tap still rings when the next one comes."""
    each = [Voices(ringing.frequency, ringing.decay, ringing.amplitude[i : i + 1]) for i in range(len(marks))]
    return play_each(rng, take, each, marks)


def play_each(rng: np.random.Generator, take: Take, each: list[Voices], marks: Floats) -> tuple[Floats, Floats]:
    """The same of a head that changes between taps: what rings for each of them, one amplitude per mode."""
    level = np.array([sound.ratio(db) for db in rng.uniform(-3.0, 3.0, len(marks))])
    pulses = np.clip(rng.uniform(1.3e-3, 2.3e-3) + 1.2e-4 * rng.standard_normal(len(marks)), 1.2e-3, 2.5e-3)
    rise = 0.0 if take.level == "clean" else 2.0 ** (GLIDE_CENTS / 1200.0) - 1.0
    dry = np.zeros(int((marks[-1] + 1.6) * take.rate))
    for i, mark in enumerate(marks):
        begin = int(np.ceil(mark * take.rate))
        count = min(len(dry) - begin, 3 * take.rate)
        tap = sound.Tap(float(pulses[i]), rise * level[i] / level.max(), float(mark), each[i].amplitude[0])
        one = sound.ring(tap, each[i].frequency, each[i].decay, begin / take.rate - tap.start, count, take.rate)
        loudest = np.abs(one[: take.rate // 10]).max()
        touch = sound.click(rng, take.rate)
        one[: len(touch)] += touch * loudest * rng.uniform(0.02, 0.1)
        dry[begin : begin + count] += one * level[i] / loudest
    return sound.to_peak(dry), pulses


def record(rng: np.random.Generator, take: Take, dry: Floats) -> Floats:
    """From the dry take to the recording of the asked level."""
    phone = take.level == "phone"
    heard = sound.through_room(rng, dry, take.rate, bare=phone) if take.level in HUM else dry
    if phone:
        heard = sound.through_phone(rng, heard, take.rate)
    heard = heard + sound.background(rng, len(heard), take.rate, LEVELS[take.level], HUM.get(take.level, 0.0))
    return sound.phone_file(rng, heard, take.rate) if phone else heard


def make(rng: np.random.Generator, take: Take) -> tuple[Floats, dict[str, Any]]:
    """One take and its truth."""
    pulls = drums.Pulls(
        draw_pulls(rng, take.rods, take.spread),
        take.rim,
        float(np.exp(rng.uniform(np.log(0.1), np.log(3.0)))) if take.rim == "spring" else 0.0,
    )
    film = drums.Film.of_mil(take.radius, take.mil)
    head = drums.head(rng, film, pulls, take.lowest, sides=float(np.exp(rng.uniform(np.log(1.1), np.log(2.0)))))
    places = draw_places(rng, take)
    microphone = draw_microphone(rng, take.radius)
    ringing = voices(rng, take, head, places, microphone)
    marks = draw_marks(rng, places.rod)
    dry, pulses = play(rng, take, ringing, marks)
    truth = {
        "rods": take.rods,
        "taps_per_rod": take.per_rod,
        "diameter_m": round(2 * take.radius, 4),
        "film_mil": take.mil,
        "tap_distance_m": TAP_DISTANCE,
        "level": take.level,
        "cents": pulls.cents.round(2).tolist(),
        "marks_s": marks.round(4).tolist(),
        "modes_hz": head.frequency[:12].round(2).tolist(),
        "rim": take.rim,
        "spring": round(pulls.spring, 3),
        "tap_positions": np.stack([places.r, places.theta], axis=1).round(4).tolist(),
        "t60_s": (drums.LN_MILLION / ringing.decay[:12]).round(3).tolist(),
        "pulse_s": pulses.round(6).tolist(),
        "microphone_m": microphone.round(3).tolist(),
    }
    return record(rng, take, dry), truth


def draw_take(rng: np.random.Generator, level: str, number: int, drums_per_level: int) -> Take:
    """The `number`-th take of a level: the first ones uneven, the rest even heads (spread 8 cents)."""
    even = number >= drums_per_level
    rods = int(rng.choice([6, 8, 10])) if even else ROUND[number % len(ROUND)]
    radius = float(rng.choice(SIZES_IN[rods])) * INCH / 2.0
    return Take(
        level,
        rods,
        per_rod=int(rng.choice([3, 4])) if even else 3,
        radius=radius,
        mil=float(rng.choice(MILS)),
        spread=8.0 if even else float(rng.uniform(40.0, 180.0)),
        lowest=float(np.clip(165.0 * (0.1524 / radius) ** 0.9 * rng.uniform(0.6, 1.3), 90.0, 240.0)),
        rim=RIMS[(number + list(LEVELS).index(level)) % len(RIMS)],
        rate=44100 if number == 3 else 48000,
    )


def main() -> None:
    """Parse, make, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drums", type=int, default=6, help="uneven heads per level")
    parser.add_argument("--even", type=int, default=2, help="even heads per level")
    parser.add_argument("--levels", default=",".join(LEVELS))
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    truths: list[dict[str, Any]] = []
    for level in asked.levels.split(","):
        for number in range(asked.drums + asked.even):
            rng = np.random.default_rng([asked.seed, list(LEVELS).index(level), number])
            take = draw_take(rng, level, number, asked.drums)
            recording, truth = make(rng, take)
            name = f"take{len(truths) + 1:02d}.flac"
            sf.write(asked.folder / name, np.clip(recording, -1.0, 1.0), take.rate, subtype="PCM_16")
            truths.append({"file": name, **truth})
            (asked.folder / "truth.json").write_text(json.dumps(truths, indent=1) + "\n")
            print(f"{name} {level}: {take.rods} rods, {2 * take.radius / INCH:.0f} in, spread {take.spread:.0f} cents")


if __name__ == "__main__":
    main()
