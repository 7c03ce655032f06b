"""The demo recording is what its script makes, bit for bit, and is small."""

import json
import runpy
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

FOLDER = Path(__file__).resolve().parent.parent / "samples_demo"
LARGEST = 3_000_000


def test_the_script_makes_the_recording_again_bit_for_bit(tmp_path):
    made = runpy.run_path(str(FOLDER / "make.py"))["make"](tmp_path)
    assert made.read_bytes() == (FOLDER / made.name).read_bytes()


def test_the_recordings_are_small():
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < LARGEST


def test_the_stand_describes_a_drum_and_pulls_against_its_mean():
    stand = json.loads((FOLDER / "stand.json").read_text(encoding="utf-8"))
    assert (FOLDER / stand["recording"]).is_file()
    assert len(stand["pulls_cents"]) == stand["rods"]
    assert_allclose(sum(stand["pulls_cents"]), 0.0, atol=1e-9)


def test_a_missing_recording_is_said(monkeypatch, tmp_path):
    from drumtune.cli import demo
    from drumtune.errors import DrumtuneError

    monkeypatch.setattr(demo, "__file__", str(tmp_path / "drumtune" / "cli" / "demo.py"))
    with pytest.raises(DrumtuneError, match="install drumtune again"):
        demo.samples()
