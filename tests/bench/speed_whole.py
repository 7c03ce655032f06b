"""Whole commands as processes of their own: start-up, length of the recording, several takes."""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import soundfile
from accuracy import section, table
from speed import COMMAND, DEMO, SAMPLES, TAKES, child, fft, in_turn, sound, takes, words_of


def start() -> str:
    """Start-up and whole commands against a bare `import numpy`, as processes of their own."""
    path, stand = takes()[0]
    tom = SAMPLES / "drum_tom_lo_hard.flac"
    room = ["--size-m", "5.6x4.1x2.6", "--drum-at", "1.4,1.1,0.7", "--mic-at", "4.3,3,1.3"]
    pair = ["pair", "--diameter-in", "12", "--depth-in", "8", "--top-hz", "150", "--bottom-hz", "160"]
    works = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "python -c 'import numpy'": [sys.executable, "-c", "import numpy"],
        "drumtune --help": [COMMAND, "--help"],
        "drumtune even, 24 taps": [COMMAND, "even", str(path), *words_of(stand)],
        "drumtune even --plot": [COMMAND, "even", str(path), *words_of(stand), "--plot", "even.png"],
        "drumtune ring, a real tom": [COMMAND, "ring", str(tom), "--diameter-in", "12"],
        "drumtune pair": [COMMAND, *pair],
        "drumtune room": [COMMAND, "room", *room, "--t60-s", "0.4"],
        "drumtune room, a burst": [COMMAND, "room", str(DEMO / "bakery-burst.wav"), *room],
        "drumtune kit": [COMMAND, "kit", str(DEMO / "bakery-kit.toml"), "--intervals", "fourths"],
        "drumtune synth, 24 taps": [COMMAND, "synth", "take.wav", "--diameter-in", "14", "--rods", "8"],
    }
    with tempfile.TemporaryDirectory() as folder:
        measures = {name: (lambda words=words: child(words, Path(folder))[0]) for name, words in works.items()}
        took = in_turn(measures, 5)
    bare = took["python -c 'import numpy'"]
    rows = [(f"`{name}`", f"{seconds:.2f} s", f"{seconds / bare:.1f}") for name, seconds in took.items()]
    prose = (
        "`python tests/bench/speed.py start`: CPU of whole processes, user and system, medians of five, against a bare "
        "`import numpy`."
    )
    after = (
        "Wanted: start-up (`drumtune --help`) within three bare imports of numpy. What room, pair and kit "
        "add is mostly the loading of scipy; pictures add that of matplotlib."
    )
    return section("Start-up and whole commands", prose, table(("process", "CPU", "times import numpy"), rows), after)


LENGTHS = {"1 s": 1.0, "10 s": 10.0, "1 min": 60.0, "10 min": 600.0, "1 h": 3600.0}


def make_long(path: Path, seconds: float) -> None:
    """A recording tapped all the time: the taps of a take over and over."""
    samples, rate = sound(TAKES / "take08.flac")
    left = round(seconds * rate)
    with soundfile.SoundFile(path, "w", int(rate), 1, subtype="PCM_16") as file:
        while left > 0:
            file.write(samples[:left])
            left -= min(left, samples.size)


def make_lonely(path: Path, seconds: float) -> None:
    """A take late in a long recording of faint noise."""
    samples, rate = sound(TAKES / "take08.flac")
    rng, count = np.random.default_rng(1), round(seconds * rate)
    begin, place = min(round(0.6 * count), count - samples.size), 0
    with soundfile.SoundFile(path, "w", int(rate), 1, subtype="PCM_16") as file:
        while place < count:
            block = 1e-4 * rng.standard_normal(min(1 << 20, count - place))
            first, last = max(place, begin), min(place + block.size, begin + samples.size)
            if last > first:
                block[first - place : last - place] += samples[first - begin : last - begin]
            file.write(block)
            place += block.size


def find_in(path: str) -> None:
    """What a process of its own does: find the taps of a file, block by block."""
    from drumtune.decode import blocks
    from drumtune.dsp.gather import Gatherer
    from drumtune.dsp.likeness import judged
    from drumtune.dsp.taps import Tap, chosen

    gatherer = Gatherer(soundfile.info(path).samplerate)
    for block in blocks(path):
        gatherer.feed(block[:, 0])
    found = gatherer.finish()
    search = chosen(
        lambda k: Tap(float(found.coarse[k]), 1.0, 0.0), found.coarse, judged(found.seen, found.rise, None), None
    )
    print(len(search.taps))


def loaded() -> None:
    """All that `find_in` loads, and nothing else."""
    import drumtune.decode
    import drumtune.dsp.taps  # noqa: F401


def transform(path: str) -> None:
    """The reference: read the file in pieces of a minute and transform each."""
    with soundfile.SoundFile(path) as file:
        while (block := file.read(60 * file.samplerate)).size:
            fft(block)


def lengths() -> str:
    """Time and memory against length."""
    rows = []
    me = [sys.executable, __file__]
    with tempfile.TemporaryDirectory() as folder:
        path, (_, stand) = Path(folder) / "long.wav", next(t for t in takes() if t[0].name == "take08.flac")
        idle, empty = (statistics.median(child([*me, name])[0] for _ in range(5)) for name in ("loaded", "nothing"))
        for name, seconds in LENGTHS.items():
            make_long(path, seconds)
            turns = 1 if seconds > 1000 else 3
            found = [(child([*me, "find", str(path)]), child([*me, "transform", str(path)])) for _ in range(turns)]
            cost = statistics.median(one[0] for one, _ in found) - idle
            plain = statistics.median(other[0] for _, other in found) - empty
            peak = max(one[1] for one, _ in found)
            whole, most = "-", "-"
            if seconds >= 60.0:
                make_lonely(path, seconds)
                took, memory = child([COMMAND, "even", str(path), *words_of(stand)])
                whole, most = f"{took:.1f} s", f"{memory:.0f} MB"
            per = f"{1000 * cost / seconds:.1f} ms" if cost > 0.02 else "-"
            ratio = f"{cost / plain:.1f}" if plain > 0.02 else "-"
            rows.append(
                (name, f"{cost:.2f} s" if cost > 0.02 else "under 0.02 s", per, ratio, f"{peak:.0f} MB", whole, most)
            )
    head = ("length", "taps found in", "for each second", "times reading and FFT", "peak memory",
            "`even`, one round in it", "peak memory")  # fmt: skip
    prose = (
        "`python tests/bench/speed.py lengths`: files of 48 kHz in processes of their own, CPU less that of "
        "a process that only loads the same modules. Left: taps all the time (0.8 each second), found by "
        "`drumtune.dsp.gather` block by block; beside it a loop that reads the same file and takes numpy's FFT of each "
        "minute. Right: the whole command on one round "
        "of 30 taps somewhere in faint noise."
    )
    return section("Length of the recording", prose, table(head, rows))


def each() -> str:
    """The same takes one after the other and with --each, by the clock."""
    rows = []
    path, stand = takes()[0]
    cores, load = len(os.sched_getaffinity(0)), os.getloadavg()[2]
    for count in (4,):
        one = [COMMAND, "even", str(path), *words_of(stand)]
        many = [COMMAND, "even", *[str(path)] * count, "--each", *words_of(stand)]

        def clock(commands):
            before = time.perf_counter()
            for words in commands:
                child(words)
            return time.perf_counter() - before

        took = in_turn({"one": partial(clock, [one] * count), "many": partial(clock, [many])}, 3)
        rows.append((str(count), f"{took['one']:.1f} s", f"{took['many']:.1f} s", f"{took['one'] / took['many']:.1f}"))
    prose = (
        f"`python tests/bench/speed.py each`, {cores} cores, load average {load:.0f}, by the clock; medians of three: "
        "`drumtune even` for one take after the other, and once for all of them with `--each`."
    )
    busy = "All cores had other work at the time, so this shows only that nothing is lost." if load > cores else ""
    return section("Several takes", prose, table(("takes", "one by one", "`--each`", "ratio"), rows), busy)


HELPERS = {"find": find_in, "transform": transform, "loaded": loaded, "nothing": lambda: None}
"""What processes of their own do: `python tests/bench/speed_whole.py NAME [FILE]`."""


if __name__ == "__main__":
    HELPERS[sys.argv[1]](*sys.argv[2:])
