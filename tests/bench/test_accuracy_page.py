"""The page that the benchmarks write: parts stay apart, and the reader beside ours is a fair one."""

import json
from pathlib import Path

import accuracy
import accuracy_rods
import numpy as np
import pytest
import soundfile

DATA = Path(__file__).resolve().parents[1] / "data" / "taps"


@pytest.fixture
def page(tmp_path, monkeypatch):
    """A page of two parts and words of its own."""
    path = tmp_path / "accuracy.md"
    path.write_text("# How exact\n\n<!-- a: begin -->\nold a\n<!-- a: end -->\n\nwords\n", encoding="utf-8")
    monkeypatch.setattr(accuracy, "PAGE", path)
    return path


def test_a_part_replaces_itself_and_leaves_the_rest(page):
    accuracy.write("a", "new a")
    assert page.read_text() == "# How exact\n\n<!-- a: begin -->\nnew a\n<!-- a: end -->\n\nwords\n"


def test_a_new_part_goes_to_the_end_and_may_be_written_again(page):
    accuracy.write("b", "b")
    accuracy.write("b", "b again")
    assert page.read_text().endswith("words\n\n<!-- b: begin -->\nb again\n<!-- b: end -->\n")


def test_the_strongest_line_reader_reads_lines_that_are_there(tmp_path):
    """Two rods of one line each, 212 and 208 Hz: 33 cents apart, by definition of the cent."""
    rate = 8000
    time = np.arange(int(1.2 * rate)) / rate
    sound = np.concatenate([np.exp(-6.0 * time) * np.cos(2.0 * np.pi * f * time) for f in (212.0, 208.0)])
    soundfile.write(tmp_path / "two.wav", 0.5 * sound, rate)
    take = {"file": "two.wav", "level": "clean", "rods": 2, "taps_per_rod": 1, "marks_s": [0.0, 1.2],
            "modes_hz": [140.0, 210.0, 210.0], "cents": [16.5, -16.5]}  # fmt: skip
    read = accuracy_rods.strongest_line(tmp_path, take)
    assert np.diff(read.pulls)[0] == pytest.approx(1200.0 * np.log2(208.0 / 212.0), abs=0.5)
    assert read.rms < 0.5
    assert read.correlation == pytest.approx(1.0)


def test_on_an_uneven_head_the_strongest_line_is_a_poor_guide():
    """The reason for the program (Worland, JASA 127(1), 2010: mode shapes, not lines, follow one rod's tension)."""
    take = next(take for take in json.loads((DATA / "truth.json").read_text()) if take["file"] == "take01.flac")
    assert accuracy_rods.strongest_line(DATA, take).correlation < 0.8
