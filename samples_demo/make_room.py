"""Make the demo room's recording again, bit for bit: ``python samples_demo/make_room.py [FOLDER]``.

The room is invented: 5.6 x 4.1 x 2.6 m over a bakery, flour sacks along one wall. The recording holds two bursts where
the floor drum stands, heard from the corner opposite; the kit that is played there stands in bakery-kit.toml.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from drumtune.advice.room_burst import burst
from drumtune.audio import write_wav
from drumtune.physics.room import Room

HERE = Path(__file__).resolve().parent
NAME = "bakery-burst.wav"
RATE = 16000
ROOM = Room((5.6, 4.1, 2.6), reverberation=((63.0, 0.8), (125.0, 0.6), (250.0, 0.45), (500.0, 0.4), (4000.0, 0.35)))
DRUM_AT, MIC_AT = (1.4, 1.1, 0.7), (4.3, 3.0, 1.3)


def make(folder: Path) -> Path:
    """Write the recording into `folder` and return its path."""
    path = folder / NAME
    sound = np.concatenate([burst(ROOM, DRUM_AT, MIC_AT, RATE, seconds=1.2, seed=seed) for seed in (11, 12)])
    write_wav(path, sound, RATE, bits=16)
    return path


if __name__ == "__main__":
    print(make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE))
