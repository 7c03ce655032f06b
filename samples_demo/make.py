"""Make the demo recording again, bit for bit: ``python samples_demo/make.py [FOLDER]``.

The drum is invented: a 14 inch floor drum with eight rods, left behind in the net loft of a lighthouse where the damp
has had its way with it. Its pulls stand in stand.json beside the recording, so that anyone can compare.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from drumtune.advice.synthetic_take import Recipe, play
from drumtune.audio import write_wav
from drumtune.drum import INCH, Drum, Head

HERE = Path(__file__).resolve().parent
NAME = "loft-floor-drum.wav"
RATE = 22050


def recipe(stand: dict[str, Any]) -> Recipe:
    """Return what is played: the drum of the stand, in a quiet room, with a careful hand."""
    head = Head.of_film(0.5 * stand["diameter_in"] * INCH, stand["film_mil"])
    drum = Drum(head, int(stand["rods"]), "flanged", stand["tap_distance_mm"] / 1000.0)
    pulls = tuple(stand["pulls_cents"])
    return Recipe(drum, pulls, 187.0, int(stand["taps_per_rod"]), scatter=0.003, gap=0.95, pause=0.45, seed=1907)


def make(folder: Path) -> Path:
    """Write the recording into `folder` and return its path."""
    stand = json.loads((HERE / "stand.json").read_text(encoding="utf-8"))
    path = folder / NAME
    write_wav(path, play(recipe(stand), RATE), RATE, bits=16)
    return path


if __name__ == "__main__":
    print(make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE))
