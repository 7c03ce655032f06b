"""The sounds of `drumtune pair --render`: the drum at a few offsets as WAVs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.cli.pair_job import PairJob

RENDER_RATE = 48000.0
RENDER_SECONDS = 3.0
STICK_DB = -26.0
"""Level of the stick's noise against the peak of its hit, dB."""
LEVEL = 0.7
"""Peak of the loudest rendered hit, full scale 1."""


def render(done: PairJob, folder: Path) -> tuple[Path, ...]:
    """Write the drum at equal heads, where it is, and the recommended offsets as WAVs; one gain for all."""
    import numpy as np

    from drumtune.advice.pair_sound import hit
    from drumtune.audio import write_wav
    from drumtune.cli.pair_job import RANGE
    from drumtune.physics.whole_hit import Stroke

    wanted = {0.0, float(done.reference.semitones[0]), *(found.semitones for found in done.advice)}
    steps = sorted(step for step in wanted if step in done.scan.semitones[done.scan.usable] or step not in RANGE)
    count = round(RENDER_SECONDS * RENDER_RATE)
    sounds = [hit(done.tuning, step, count, RENDER_RATE, Stroke(noise_db=STICK_DB)) for step in steps]
    gain = LEVEL / max(float(np.max(np.abs(sound))) for sound in sounds)
    folder.mkdir(exist_ok=True)
    paths = tuple(folder / f"bottom{step:+05.1f}.wav" for step in steps)
    for path, sound in zip(paths, sounds, strict=True):
        write_wav(path, gain * sound, RENDER_RATE)
    return paths
