"""The demo room's recording is what its script makes, bit for bit; the demo kit is a kit."""

import runpy
from pathlib import Path

from drumtune.kitfile import read_kit

FOLDER = Path(__file__).resolve().parent.parent / "samples_demo"


def test_the_script_makes_the_recording_again_bit_for_bit(tmp_path):
    made = runpy.run_path(str(FOLDER / "make_room.py"))["make"](tmp_path)
    assert made.read_bytes() == (FOLDER / made.name).read_bytes()


def test_the_demo_kit_is_a_kit():
    assert [stand.name for stand in read_kit(FOLDER / "bakery-kit.toml").stands] == ["rack", "middle", "floor", "snare"]
