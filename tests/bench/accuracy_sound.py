"""Decay times beside pyrato and pyroomacoustics, and taps found beside librosa's onset detection.

The sounds are those of the tests: tests/dsp/test_decay_against_references.py and taps_material.py (real hits of
Debian's sonic-pi-samples, CC0, spliced at known places).
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))

import librosa
import numpy as np
import taps_material as material
import test_decay_against_references as references
import test_taps_real_hits as real
from accuracy import section, table

from drumtune.dsp.decay import Figure, decay_figures, energy_decay
from drumtune.dsp.taps import find_taps

QUIET_DB = -200
"""Noise under which pyroomacoustics, which knows no noise, can be held against the others."""


def decay(_: list[Path]) -> str:
    """T20 and T30 by three programs, of a made room and a made hit."""
    rows = []
    for name, make in (("room", references.room), ("hit", references.struck)):
        for t60 in (0.3, 0.8):
            for noise in (-45, -60, QUIET_DB):
                sound = make(t60, noise, 11)
                figures = decay_figures(energy_decay(sound, references.FS))
                theirs = references.by_pyrato(sound)
                plain = references.by_pyroomacoustics(sound) if noise == QUIET_DB else (float("nan"),) * 2
                rows += [
                    (name, f"{t60:g} s", "none" if noise == QUIET_DB else f"{noise} dB", range_, _figure(own),
                     _seconds(other), _seconds(third))
                    for range_, own, other, third in zip(
                        ("T20", "T30"), (figures.t20, figures.t30), theirs, plain, strict=True)
                ]  # fmt: skip
    head = ("sound", "T60", "noise", "range", "drumtune", "pyrato", "pyroomacoustics")
    prose = (
        "`python tests/bench/accuracy.py decay`: decaying noise as of a room, and ten lines as of a hit, "
        "under a floor of "
        "noise. pyrato truncates and compensates after Lundeby and Chu; pyroomacoustics takes no notice of "
        "noise and is "
        "held against sounds without any. What drumtune does not vouch for is in brackets."
    )
    return section("Decay times", prose, table(head, rows))


def _figure(figure: Figure) -> str:
    said = _seconds(float("nan") if figure.value is None else figure.value)
    return said if figure.valid else f"({said})"


def _seconds(value: float) -> str:
    return f"{value:.3f} s" if np.isfinite(value) else "-"


def taps(_: list[Path]) -> str:
    """Precision, recall and F-measure by condition."""
    rows = []
    for name, (spoil, _wanted) in real.CONDITIONS.items():
        totals = {"drumtune": np.zeros(3), "librosa": np.zeros(3)}
        for place, drum in enumerate(material.DRUMS):
            scene = material.scene(drum, 0)
            sound = spoil(scene, place)
            found = {
                "drumtune": [tap.onset for tap in find_taps(sound, scene.rate).taps],
                "librosa": librosa.onset.onset_detect(y=sound, sr=scene.rate, units="time"),
            }
            for who, times in found.items():
                totals[who] += material.score(times, scene.onsets)
        rows.append((name, *(f"{value:.3f}" for who in totals for value in _rates(totals[who]))))
    head = ("recording", "precision", "recall", "F", "librosa: precision", "recall", "F")
    prose = (
        "`python tests/bench/accuracy.py taps`: 18 real hits of each of six drums at known places, levels over 10 dB, "
        "within 25 ms (half the customary tolerance), the number of hits not told; beside "
        "librosa.onset.onset_detect as "
        "it comes."
    )
    return section("Taps found", prose, table(head, rows))


def _rates(totals: np.ndarray) -> tuple[float, float, float]:
    """Precision, recall and F of (matched, false, missed)."""
    matched, false, missed = totals
    return matched / (matched + false), matched / (matched + missed), 2 * matched / (2 * matched + false + missed)
