"""Live tests on a busy machine: the test begins anew when, and only when, its sound was broken on the way.

A browser's fake microphone and a sound server leave samples out when they are not served in time; the tap is then
rightly asked for again, and no player is there to repeat it.
"""

import functools
import json

ATTEMPTS = 5


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
