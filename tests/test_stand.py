"""Stand and kit files: what they hold comes out, and what no drum is gives one line that names it."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drumtune.drum import Drum, Head
from drumtune.errors import StandError
from drumtune.kitfile import read_kit, read_stand
from drumtune.notes import note_frequency
from drumtune.stand import Stand, dump_stand, parse_kit, parse_stand

DRUM = """
name = "floor"
diameter_in = 16
depth_in = 14
rods = 8
top = { film_mil = 10, rod_hz = 151.5 }
bottom = { film_mil = 7.5, offset_semitones = 3 }
"""


def test_a_drum_comes_out_in_metres():
    """Inch 25.4 mm, mil 25.4 um (exact); density 1390 kg/m3 of the film maker's bulletin."""
    stand = parse_stand("[drum]" + DRUM)
    assert stand.drum.head.radius == pytest.approx(0.2032)
    assert stand.depth == pytest.approx(0.3556)
    assert stand.drum.head.surface_density == pytest.approx(0.3531, abs=1e-4)
    assert stand.bottom is not None
    assert stand.bottom.thickness == pytest.approx(190.5e-6)
    assert (stand.role, stand.offset, stand.top_rod, stand.bottom_rod) == ("tom", 3.0, 151.5, None)


def test_a_kit_keeps_its_order_and_a_stand_file_is_a_kit_of_one():
    kit = parse_kit('[kit]\nname = "small"\n[[drum]]' + DRUM + "[[drum]]" + DRUM.replace("floor", "low"))
    assert (kit.name, [stand.name for stand in kit.stands]) == ("small", ["floor", "low"])
    assert parse_kit("[drum]" + DRUM).stands == (parse_stand("[drum]" + DRUM),)


def test_a_note_may_be_a_name_or_hertz():
    assert parse_stand("[drum]\nnote = 'A2'" + DRUM).note == pytest.approx(note_frequency("A2"))
    assert parse_stand("[drum]\nnote = 111.5" + DRUM).note == 111.5


names = st.text(st.characters(categories=("L", "N", "P")), min_size=1, max_size=20)
heads = st.tuples(st.floats(2.0, 15.0), st.booleans(), st.none() | st.floats(50.0, 900.0))


@given(names, st.floats(8.0, 26.0), st.floats(3.0, 20.0), st.integers(4, 12), heads, st.none() | heads)
def test_a_stand_written_and_read_is_the_same(name, diameter, depth, rods, top, bottom):
    radius = 0.0127 * diameter
    head = Head.of_film(radius, top[0]) if top[1] else Head(radius, 0.1 * top[0])
    below = bottom and (Head.of_film(radius, bottom[0]) if bottom[1] else Head(radius, 0.1 * bottom[0]))
    stand = Stand(name, "tom", Drum(head, rods), 0.0254 * depth, below, top[2], bottom and bottom[2], bottom and 2.5)
    back = parse_stand(dump_stand(stand))
    assert (back.name, back.role, back.drum.rods, back.drum.hoop) == (name, "tom", rods, "flanged")
    assert math.isclose(back.depth, stand.depth, rel_tol=1e-9)
    for ours, theirs in ((head, back.drum.head), (below, back.bottom)):
        assert (ours is None) == (theirs is None)
        if ours:
            assert theirs.radius == pytest.approx(ours.radius, rel=1e-9)
            assert theirs.surface_density == pytest.approx(ours.surface_density, rel=1e-9)
            assert theirs.thickness == pytest.approx(ours.thickness, rel=1e-9)
    for ours, theirs in ((stand.top_rod, back.top_rod), (stand.bottom_rod, back.bottom_rod)):
        assert theirs == (None if ours is None else pytest.approx(ours, rel=1e-9))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("diameter_in = 16", "diameter_in = 160"), "floor: diameter_in lies between 5 and 40, got 160"),
        (("diameter_in = 16", "diameter_in = nan"), "diameter_in lies between"),
        (("diameter_in = 16", 'diameter_in = "16"'), "diameter_in lies between"),
        (("diameter_in = 16\n", ""), "diameter_in is missing"),
        (("rods = 8", "rods = 30"), "4 to 16 tension rods"),
        (("rods = 8", "rods = 8.5"), "whole number"),
        (("rods = 8", 'rods = 8\nhoop = "steel"'), "flanged, cast or wood"),
        (("rods = 8", 'rods = 8\nrole = "cymbal"'), "tom, snare or bass"),
        (("rods = 8", "rods = 8\ncolour = 1"), "'colour' is not known"),
        (("rods = 8", "rods = 8\nnote = 'H2'"), "letter A-G"),
        (("film_mil = 10, ", ""), "give film_mil or surface_density"),
        (("top =", "upper ="), "'upper' is not known"),
        (('name = "floor"', "name = 3"), "name is a word"),
    ],
)
def test_what_no_drum_is_gives_one_line_that_names_it(change, words):
    with pytest.raises(StandError, match=words) as failure:
        parse_stand("[drum]" + DRUM.replace(*change))
    assert "\n" not in str(failure.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("drum = [", "no TOML"),
        ("", "1 to 16 drums"),
        ("drum = 3", "1 to 16 drums"),
        ("drum = [3]", "not a table"),
        ("kit = 3\n", "table with a name"),
        ("[[drum]]" + DRUM + "[[drum]]" + DRUM, "two drums are called 'floor'"),
        ("[[drum]]" + DRUM.replace("floor", "x") * 1 + ("[[drum]]" + DRUM) * 16, "1 to 16 drums"),
    ],
)
def test_what_no_kit_is_gives_one_line(text, words):
    with pytest.raises(StandError, match=words):
        parse_kit(text)


@given(st.text(max_size=80))
def test_no_text_does_worse_than_a_stand_error(text):
    """Any text either is a kit or is refused in words; anything else raised fails here."""
    with contextlib.suppress(StandError):
        assert parse_kit(text).stands


def test_files_are_read_or_refused_in_words(tmp_path):
    path = tmp_path / "floor.toml"
    path.write_text(dump_stand(parse_stand("[drum]" + DRUM)), encoding="utf-8")
    assert read_stand(path) == parse_stand("[drum]" + DRUM)
    with pytest.raises(StandError, match="no file"):
        read_kit(tmp_path / "none.toml")
    with pytest.raises(StandError, match="no plain file"):
        read_kit(tmp_path)
    (tmp_path / "sound.toml").write_bytes(b"RIFF\xff\xfe\x00")
    with pytest.raises(StandError, match="not UTF-8"):
        read_kit(tmp_path / "sound.toml")
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(StandError, match="larger than any file of this kind"):
        read_kit(tmp_path / "big.toml")
    (tmp_path / "wrong.toml").write_text("[drum]\n")
    with pytest.raises(StandError, match=r"wrong\.toml: the drum: name"):
        read_stand(tmp_path / "wrong.toml")
