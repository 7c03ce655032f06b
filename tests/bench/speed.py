"""How fast the program is, beside what the same machine does with the same sound in the same minutes.

    python tests/bench/speed.py PART [--show]

Each part writes its own marked stretch of docs/speed.md (with --show it only prints it):

    moves      takes to moves: CPU against the length of the take, numpy's FFT and librosa.pyin of the same samples
    stages     every stage by itself, against numpy's FFT of the samples it works on
    start      start-up and whole commands, against a bare `import numpy`
    lengths    finding taps in 1 s to 1 h of sound: time and peak memory
    tables     what is worked out anew in each process
    each       takes read one after the other and on all cores
    synth      the synthesiser, against the length of what it makes

CPU seconds, so that other work on the machine counts little; the things compared take turns, and medians are given.
Ratios carry over to other machines, seconds do not.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import accuracy
import numpy as np
import soundfile
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "speed.md"
TAKES = ROOT / "tests" / "data" / "taps"
DEMO = ROOT / "samples_demo"
SAMPLES = Path("/usr/share/sonic-pi/samples")
COMMAND = str(Path(sys.executable).with_name("drumtune"))
INCH = 0.0254
Floats = NDArray[np.float64]
Work = Callable[[], object]


def cpu(work: Work) -> float:
    """CPU seconds of this process."""
    before = time.process_time()
    work()
    return time.process_time() - before


def child(words: list[str], folder: Path | None = None) -> tuple[float, float]:
    """CPU seconds and peak memory (MB) of a process of its own, with its children."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, cwd=folder)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"{words} ended with {process.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0


def in_turn(works: dict[str, Callable[[], float]], rounds: int) -> dict[str, float]:
    """Median of each measure; all are taken once before any is taken again."""
    seen: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, measure in works.items():
            seen[name].append(measure())
    return {name: statistics.median(values) for name, values in seen.items()}


def fft(samples: Floats) -> object:
    """The reference: numpy's real FFT of the samples, padded to a power of two."""
    return np.fft.rfft(samples, 1 << (samples.size - 1).bit_length())


def sound(path: Path) -> tuple[Floats, float]:
    """Samples of the first channel and rate."""
    samples, rate = soundfile.read(path, always_2d=True)
    return np.ascontiguousarray(samples[:, 0]), float(rate)


def takes() -> list[tuple[Path, dict[str, object]]]:
    """Takes whose drums are known: the demo's and the finite-element ones of the tests; options by name."""
    stand = json.loads((DEMO / "stand.json").read_text(encoding="utf-8"))
    keys = ("diameter_in", "rods", "taps_per_rod", "tap_distance_mm", "film_mil")
    found: list[tuple[Path, dict[str, object]]] = [(DEMO / stand["recording"], {key: stand[key] for key in keys})]
    for take in json.loads((TAKES / "truth.json").read_text(encoding="utf-8")):
        given = take | {"diameter_in": take["diameter_m"] / INCH, "tap_distance_mm": 1000 * take["tap_distance_m"]}
        found.append((TAKES / take["file"], {key: given[key] for key in keys}))
    return found


def words_of(stand: dict[str, object]) -> list[str]:
    """The same as options of the command."""
    return [word for key, value in stand.items() for word in (f"--{key.replace('_', '-')}", f"{value:.6g}")]


def parts() -> dict[str, Callable[[], str]]:
    """What can be measured."""
    import speed_stages
    import speed_whole

    return {
        "moves": speed_stages.moves,
        "stages": speed_stages.stages,
        "start": speed_whole.start,
        "lengths": speed_whole.lengths,
        "tables": speed_stages.tables,
        "each": speed_whole.each,
        "synth": speed_stages.synth,
    }


def main() -> None:
    """Measure the part named, write or print it."""
    known = parts()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", choices=known)
    parser.add_argument("--show", action="store_true")
    asked = parser.parse_args()
    text = known[asked.part]()
    print(text)
    if not asked.show:
        accuracy.write(asked.part, text, PAGE)


if __name__ == "__main__":
    main()
