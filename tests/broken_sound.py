"""Live tests on a busy machine: the test begins anew when, and only when, its sound was broken on the way.

A browser's fake microphone and a sound server leave samples out when they are not served in time; the tap is then
rightly asked for again, and no player is there to repeat it. Where they join what is left over the gap nothing may be
seen, and pulls come out some cents off: one thread of Chromium held for 50 ms is enough.
"""

import functools
import itertools
import json

import numpy as np
from scipy.signal import fftconvolve

ATTEMPTS = 5
SAME_SAMPLE = 1e-4
"""Samples this near are the same (16 bit: three steps)."""


class BrokenSoundError(Exception):
    """The sound was broken before it came to this program."""


def again_if_broken(test):
    """The test, begun anew in a fresh folder when its sound was broken."""

    @functools.wraps(test)
    def run(tmp_path, *words, **more):
        for attempt in range(1, ATTEMPTS + 1):
            folder = tmp_path / f"attempt {attempt}"
            folder.mkdir()
            try:
                return test(folder, *words, **more)
            except BrokenSoundError:
                continue
        raise AssertionError(f"the sound was broken {ATTEMPTS} times")

    return run


def kept_round(folder):
    """The round that is kept beside the log in a folder."""
    return json.loads(next(folder.glob("live/*/round.json")).read_text())["round"]


def raise_if_broken(kept):
    """Raise `BrokenSoundError` if a stroke of the round is torn."""
    if any(fault == "torn" for *_, fault in kept["strokes"]):
        raise BrokenSoundError


def raise_if_not_whole(blocks, played):
    """Raise `BrokenSoundError` if what came in is not, sample for sample, one stretch of what was played.

    `blocks` are first frames and samples, in order, of the rate of `played`.
    """
    follow = all(a + x.size == b for (a, x), (b, _) in itertools.pairwise(blocks))
    heard = np.concatenate([samples for _, samples in blocks])
    start = heard[: min(heard.size, played.size) // 4]  # quiet, then taps: it fits in one place
    energy = np.cumsum(played**2)
    energy = energy[start.size - 1 :] - np.concatenate(([0.0], energy[: -start.size]))
    place = int(np.argmin(energy - 2.0 * fftconvolve(played, start[::-1], "valid")))
    size = min(heard.size, played.size - place)
    if not follow or np.abs(heard[:size] - played[place : place + size]).max() > SAME_SAMPLE:
        raise BrokenSoundError
