"""Make the pictures of README.md and docs again: ``python docs/images/make.py [FOLDER]``.

Those of the demo come from its recording. Those of docs/recording.md come from takes that are synthesised as good and
bad ones are: they show what the pictures look like, not how exact the reading is.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from drumtune.advice.head_map import head_map
from drumtune.advice.ring import read_hits
from drumtune.advice.synthetic_take import Recipe, play
from drumtune.audio import write_wav
from drumtune.cli import demo, job
from drumtune.drum import INCH, Drum, Head
from drumtune.physics import whole_hit
from drumtune.physics.two_heads import TwoHeads
from drumtune.plots import overview, rim_strip, ring, style

HERE = Path(__file__).resolve().parent
KEPT = ("rim-strip.png", "head.png", "lines.png")
RATE = 22050
CAREFUL = Recipe(
    Drum(Head.of_film(7 * INCH, 10), 8), (12.0, -25.0, 8.0, 20.0, -10.0, -15.0, 30.0, -20.0), 187.0, 3,
    scatter=0.003, gap=0.95, pause=0.45, seed=11,
)  # fmt: skip
"""A round of taps by a careful hand; the careless one's taps scatter by 20 mm."""


def make(folder: Path) -> None:
    """Write the pictures that the documents show into `folder`."""
    stand, drum, recording = demo.described()
    done = job.do([recording], drum, taps_per_rod=stand["taps_per_rod"])
    for name, figure in overview.pictures(done.reading, done.plan.moves, head_map(done.reading)).items():
        if name in KEPT:
            style.save(figure, folder / name)
    rounds(folder)
    hits(folder)


def rounds(folder: Path) -> None:
    """Rim strips of a careful and of a careless round on one drum."""
    for name, recipe in (("taps-careful.png", CAREFUL), ("taps-careless.png", replace(CAREFUL, scatter=0.02))):
        with tempfile.TemporaryDirectory() as place:
            take = Path(place) / "take.wav"
            write_wav(take, play(recipe, RATE), RATE, bits=16)
            done = job.do([take], recipe.drum, taps_per_rod=recipe.taps_per_rod)
        figure = style.figure(4.0)
        rim_strip.draw(figure.subplots(), done.reading, done.plan.moves)
        style.save(figure, folder / name)


def hits(folder: Path) -> None:
    """Levels of one hit recorded near the drum in a quiet room, and far from it in a noisy one."""
    drum = TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), 8 * INCH)
    sound = whole_hit.sound(whole_hit.lines(drum, 2500.0, 3200.0), 3 * RATE, RATE)
    sound = np.concatenate([np.zeros(RATE // 3), 0.5 * sound / np.abs(sound).max()])
    noise = np.random.default_rng(3).standard_normal(sound.size)
    for name, level in (("hit-quiet.png", -75.0), ("hit-noisy.png", -36.0)):
        hit = read_hits(sound + 0.5 * 10.0 ** (level / 20.0) * noise, RATE)[0]
        figure = style.figure(ring.HEIGHTS[0])
        ring.level_decay(figure.subplots(), hit)
        style.save(figure, folder / name)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
