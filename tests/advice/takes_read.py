"""The recordings in tests/data/taps, read once for all tests of the inference. Their truth is an outside one."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.evenness import read_head
from drumtune.advice.reading import Reading
from drumtune.audio import read_recording
from drumtune.drum import Drum, Head
from drumtune.dsp.by_rod import group_taps
from drumtune.dsp.taps import Tap, find_taps

FOLDER = Path(__file__).parents[1] / "data" / "taps"


@dataclass(frozen=True)
class Known:
    """One recording with its truth."""

    samples: NDArray[np.float64]
    rate: float
    drum: Drum
    taps: tuple[tuple[Tap, ...], ...]
    cents: NDArray[np.float64]
    modes_hz: NDArray[np.float64]
    truth: dict[str, Any]


@cache
def known(name: str) -> Known:
    """A recording by its file name without ending."""
    (truth,) = [t for t in json.loads((FOLDER / "truth.json").read_text()) if t["file"] == f"{name}.flac"]
    take = read_recording(FOLDER / truth["file"])
    rods, per_rod = truth["rods"], truth["taps_per_rod"]
    drum = Drum(Head.of_film(truth["diameter_m"] / 2, truth["film_mil"]), rods, tap_distance=truth["tap_distance_m"])
    taps = group_taps(find_taps(take.samples, take.sample_rate, rods * per_rod).taps, rods, per_rod)
    cents = np.array(truth["cents"])
    return Known(take.samples, take.sample_rate, drum, taps, cents - cents.mean(), np.array(truth["modes_hz"]), truth)


@cache
def reading(name: str) -> Reading:
    """Its reading."""
    it = known(name)
    return read_head(it.samples, it.rate, it.taps, it.drum)


def read_again(name: str, order: list[int], samples: NDArray[np.float64] | None = None) -> Reading:
    """Read with the rods in another order, or from changed samples of the same length."""
    it = known(name)
    return read_head(it.samples if samples is None else samples, it.rate, [it.taps[i] for i in order], it.drum)
