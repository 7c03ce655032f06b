"""An hour of sound through a session: memory, lost blocks, slowest block. Run: python tests/bench/hour.py [MINUTES]."""

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))

import pages_made

from drumtune.session import Session

RATE, BLOCK = 48000.0, 1024


def resident():
    """Resident memory now, MB."""
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * resource.getpagesize() / 1e6


def main(minutes):
    """Feed the same four taps over and over, with a little of the time's own noise."""
    piece = pages_made.taps(4, rate=RATE)
    rng = np.random.default_rng(0)
    session = Session(8, 3)
    session.listen(RATE)
    began, slow, fed, shown = time.perf_counter(), [], 0, 0
    while fed < minutes * 60 * RATE:
        whole = piece + 1e-5 * rng.standard_normal(piece.size)
        for start in range(0, whole.size, BLOCK):
            before = time.perf_counter()
            session.feed(whole[start : start + BLOCK])
            slow.append(time.perf_counter() - before)
        fed += whole.size
        if fed // (300 * RATE) != shown:
            shown = fed // (300 * RATE)
            cost = (time.perf_counter() - began) / (fed / RATE)
            worst, middle = 1e3 * max(slow), 1e3 * float(np.median(slow))
            print(f"{fed / RATE / 60:5.0f} min {resident():7.1f} MB, {100 * cost:.1f} % of real time", end=", ")
            print(f"block median {middle:.2f} ms, worst {worst:.0f} ms", end=", ")
            print(f"clock {session.time - fed / RATE:+.3f} s", flush=True)
            slow = []


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
