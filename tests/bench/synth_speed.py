"""How long the synthesiser takes: ``python tests/bench/synth_speed.py``. Ten seconds of 60 lines at 48 kHz.

Prints medians of seven runs; the aim is 0.3 s. Not a test: times hang on the machine.
"""

from __future__ import annotations

import time

import numpy as np

from drumtune.drum import INCH, Head
from drumtune.physics import whole_hit
from drumtune.physics.two_heads import TwoHeads
from drumtune.physics.whole_hit import Lines, Stroke

RATE, SECONDS, LINES = 48000.0, 10, 60


def median_time(work) -> float:
    """Median of seven runs, s."""
    times = []
    for _ in range(7):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def main() -> None:
    """Print one line per kind of stroke, and one for finding the lines of a drum."""
    rng = np.random.default_rng(1)
    lines = Lines(rng.uniform(60.0, 4000.0, LINES), rng.uniform(2.0, 30.0, LINES), np.full(LINES, -1j))
    count = round(SECONDS * RATE)
    kinds = {"lines": Stroke(), "lines, glide, stick": Stroke(glide_cents=40.0, noise_db=-20.0)}
    for name, stroke in kinds.items():
        seconds = median_time(lambda stroke=stroke: whole_hit.sound(lines, count, RATE, stroke))
        print(f"{SECONDS} s of {LINES} {name}: {seconds:.3f} s")
    drum = TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), 8 * INCH)
    found = whole_hit.lines(drum, 2500.0, 3200.0)
    seconds = median_time(lambda: whole_hit.lines(drum, 2500.0, 3200.0))
    print(f"finding the {found.frequency.size} lines of a drum: {seconds:.3f} s")


if __name__ == "__main__":
    main()
