"""Make the pictures of README.md and docs again from the demo recording: ``python docs/images/make.py [FOLDER]``."""

from __future__ import annotations

import sys
from pathlib import Path

from drumtune.cli import demo, job
from drumtune.plots import overview, style

HERE = Path(__file__).resolve().parent
KEPT = ("rim-strip.png", "head.png", "lines.png")


def make(folder: Path) -> None:
    """Write the pictures that the documents show into `folder`."""
    stand, drum, recording = demo.described()
    done = job.do([recording], drum, taps_per_rod=stand["taps_per_rod"])
    for name, figure in overview.pictures(done.reading, done.plan.moves).items():
        if name in KEPT:
            style.save(figure, folder / name)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
