"""Stages of the program and the way from a take to moves, in CPU seconds beside numpy's FFT and librosa.pyin."""

from __future__ import annotations

import itertools
import statistics
import subprocess
import sys
from collections.abc import Callable
from functools import partial

import numpy as np
from accuracy import section, table
from speed import DEMO, INCH, SAMPLES, Floats, Work, cpu, fft, in_turn, sound, takes


def moves() -> str:
    """From samples in memory to moves."""
    import librosa

    from drumtune.advice.evenness import read_head
    from drumtune.advice.turns import plan_moves
    from drumtune.cli.options import stand as drum_of
    from drumtune.dsp.by_rod import taps_by_rod

    rows = []
    for path, stand in takes():
        samples, rate = sound(path)
        sizes = {key: stand[key] for key in ("diameter_in", "rods", "tap_distance_mm", "film_mil")}
        drum = drum_of(**sizes, surface_density=None)
        each = int(stand["taps_per_rod"])

        def find(samples=samples, rate=rate, drum=drum, each=each):
            return taps_by_rod(samples, rate, drum.rods, each)[0]

        def whole(samples=samples, rate=rate, drum=drum, find=find):
            reading = read_head(samples, rate, find(), drum)
            return plan_moves(reading.pulls_cents, reading.covariance, drum, reading.tension, verdict=reading.verdict)

        def wide(samples=samples, rate=rate):
            return librosa.pyin(samples, fmin=65.4, fmax=2093.0, sr=rate)

        def narrow(samples=samples, rate=rate):
            return librosa.pyin(samples, fmin=60.0, fmax=600.0, sr=rate, frame_length=4096)

        wide(samples[:20000]), narrow(samples[:20000])  # compiled outside the measure
        whole()
        works = {"find": find, "whole": whole, "fft": partial(fft, samples), "wide": wide, "narrow": narrow}
        took = in_turn({name: partial(cpu, work) for name, work in works.items()}, 3)
        length = samples.size / rate
        rows.append((
            path.name, f"{length:.1f} s", str(drum.rods * each), f"{took['find']:.2f} s", f"{took['whole']:.2f} s",
            f"{length / took['whole']:.0f}", f"{took['whole'] / took['fft']:.0f}",
            f"{took['wide'] / took['find']:.0f} / {took['wide'] / took['whole']:.1f}",
            f"{took['narrow'] / took['find']:.0f} / {took['narrow'] / took['whole']:.1f}",
        ))  # fmt: skip
    head = ("take", "length", "taps", "taps found in", "moves in", "times faster than real time", "times numpy's FFT",
            "pyin takes, times finding / all", "the same, 60 to 600 Hz")  # fmt: skip
    prose = (
        "`python tests/bench/speed.py moves`: from samples in memory to moves, in CPU seconds of one core; medians of "
        "three. FFT: numpy's real FFT of the same samples, padded to a power of two. pyin: librosa.pyin on the same "
        "samples from C2 to C7, as its documentation calls it, and cut down to what drums need, 60 to 600 Hz with "
        "frames of 4096; compiled beforehand."
    )
    after = (
        "Wanted: 24 taps (the first row) to moves in under 1 s of CPU and 20 times faster than real time; 5 times "
        "faster than librosa.pyin."
    )
    return section("A take to moves", prose, table(head, rows), after)


def stages() -> str:
    """Each stage of the analysis by itself, and the scans that need no sound."""
    from drumtune.advice import pair, ring, room_sound
    from drumtune.advice.evenness import read_head
    from drumtune.cli.options import stand as drum_of
    from drumtune.drum import Head
    from drumtune.dsp.by_rod import taps_by_rod
    from drumtune.dsp.partials import find_partials
    from drumtune.physics.two_heads import TwoHeads

    path, stand = takes()[0]
    samples, rate = sound(path)
    drum = drum_of(
        diameter_in=stand["diameter_in"], rods=stand["rods"], tap_distance_mm=stand["tap_distance_mm"],
        film_mil=stand["film_mil"], surface_density=None,
    )  # fmt: skip
    groups, _ = taps_by_rod(samples, rate, drum.rods, 3)
    begins = [round((tap.onset + 0.004) * rate) for group in groups for tap in group]
    segments = np.stack([samples[start : start + round(0.5 * rate)] for start in begins[:8]])
    burst, burst_rate = sound(DEMO / "bakery-burst.wav")
    response = room_sound.bursts(burst, burst_rate)
    depths = itertools.count(8.0, 0.01)  # each time another shell, so that nothing known of the last one helps

    def scan():
        heads = TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), next(depths) * INCH)
        return pair.scan(pair.tune(heads, 150.0, order=0), np.linspace(-12.0, 12.0, 100))

    works: dict[str, tuple[Work, Floats]] = {
        "taps found and given to rods, 24 taps": (lambda: taps_by_rod(samples, rate, drum.rods, 3), samples),
        "partials of one tap, 0.5 s": (lambda: find_partials(segments[:1], rate), segments[0]),
        "partials of 8 taps jointly": (lambda: find_partials(segments, rate), segments.reshape(-1)),
        "inversion, 24 taps": (lambda: read_head(samples, rate, groups, drum), samples),
        "room: decay in bands of a burst": (lambda: room_sound.bands(response, burst_rate), burst),
    }
    for name in ("drum_tom_lo_hard", "drum_tom_mid_hard", "drum_tom_hi_hard"):
        hit, hit_rate = sound(SAMPLES / f"{name}.flac")
        works[f"ring of a real hit ({name}, {hit.size / hit_rate:.1f} s)"] = (
            partial(ring.read_hits, hit, hit_rate, radius=6 * INCH), hit)  # fmt: skip
    measures: dict[str, Callable[[], float]] = {"scan": partial(cpu, scan)}
    for name, (work, used) in works.items():
        work()
        measures[name] = partial(cpu, work)
        measures[f"fft {name}"] = partial(cpu, partial(fft, used))
    took = in_turn(measures, 5)
    rows = [
        (name, f"{1000 * took[name]:.0f} ms", f"{1000 * took[f'fft {name}']:.1f} ms",
         f"{took[name] / took[f'fft {name}']:.0f}")
        for name in works
    ]  # fmt: skip
    rows.append(("pair: 100 pitches of the bottom head scanned", f"{1000 * took['scan']:.0f} ms", "-", "-"))
    prose = (
        "`python tests/bench/speed.py stages`: CPU of each stage by itself, medians of five, and that of numpy's FFT "
        "of the samples it works on. The real hits are CC0 recordings of Debian's sonic-pi-samples."
    )
    return section("Stages", prose, table(("stage", "CPU", "FFT", "ratio"), rows))


TABLES = """
import time, numpy, scipy.linalg, scipy.special
from drumtune.advice.inversion import band, layout, model, shape_table
before = time.process_time()
layout.modes(), shape_table.shape_table(), [band.band_table(place) for place in range(7)]
model.field_stiffness({rods}, 0.0), model.field_stiffness({rods}, 1.0)
print(time.process_time() - before)
"""


def tables() -> str:
    """Tables that the inversion works out in each process."""
    rows = []
    for rods in (6, 8, 10, 16):
        words = [sys.executable, "-c", TABLES.format(rods=rods)]
        took = [float(subprocess.run(words, capture_output=True, check=True).stdout) for _ in range(7)]
        rows.append((str(rods), f"{1000 * statistics.median(took):.0f} ms"))
    prose = (
        "`python tests/bench/speed.py tables`: Bessel zeros, shapes near the rim and the stiffness matrices of the "
        "rods' stress fields, worked out once in each process; medians of seven processes. (It was 0.4 s before "
        "Bessel values were shared between powers.) For less than a tenth of a second once in each process nothing is "
        "kept on disk, so nothing can be stale or damaged there."
    )
    return section("Tables", prose, table(("rods", "CPU"), rows))


def synth() -> str:
    """The synthesiser."""
    from drumtune.drum import Head
    from drumtune.physics import whole_hit
    from drumtune.physics.two_heads import TwoHeads
    from drumtune.physics.whole_hit import Lines, Stroke

    rate, seconds, rng = 48000.0, 10, np.random.default_rng(1)
    lines = Lines(rng.uniform(60.0, 4000.0, 60), rng.uniform(2.0, 30.0, 60), np.full(60, -1j))
    count = round(seconds * rate)
    depths = itertools.count(8.0, 0.01)  # each time another shell, so that nothing known of the last one helps

    def search():
        drum = TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), next(depths) * INCH)
        return whole_hit.lines(drum, 2500.0, 3200.0)

    noise = rng.standard_normal(count)
    strokes = {"60 lines, 10 s": Stroke(), "60 lines, glide, stick, 10 s": Stroke(glide_cents=40.0, noise_db=-20.0)}
    works: dict[str, Work] = {
        name: partial(whole_hit.sound, lines, count, rate, stroke) for name, stroke in strokes.items()
    }
    works["lines of a drum of two heads found"] = search
    works["fft"] = partial(fft, noise)
    for work in works.values():
        work()
    took = in_turn({name: partial(cpu, work) for name, work in works.items()}, 5)
    reference = took.pop("fft")
    rows = [(name, f"{value:.3f} s", f"{value / reference:.0f}") for name, value in took.items()]
    prose = (
        "`python tests/bench/speed.py synth`: 48 kHz, CPU, medians of five, against numpy's FFT of 10 s of samples. "
        "Ten seconds of 60 lines were wanted in 0.3 s."
    )
    return section("Synthesis", prose, table(("what", "CPU", "times FFT"), rows))
