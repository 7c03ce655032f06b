"""The page of speed: every part is there, and things compared take turns."""

import re
from pathlib import Path

import pytest
import speed

PAGE = Path(__file__).resolve().parents[2] / "docs" / "speed.md"


def test_every_part_stands_on_the_page_with_how_to_make_it_again():
    page = PAGE.read_text(encoding="utf-8")
    assert set(re.findall(r"<!-- (\w+): begin -->", page)) == set(speed.parts())
    for part in speed.parts():
        assert f"`python tests/bench/speed.py {part}`" in page


def test_things_compared_take_turns_and_the_median_is_given():
    order, slow, quick = [], iter((5.0, 1.0, 2.0)), iter((0.5, 0.1, 0.2))

    def measure(name, times):
        order.append(name)
        return next(times)

    took = speed.in_turn({"slow": lambda: measure("slow", slow), "quick": lambda: measure("quick", quick)}, 3)
    assert order == ["slow", "quick"] * 3
    assert took == {"slow": 2.0, "quick": 0.2}


def test_a_command_that_fails_is_no_measurement():
    with pytest.raises(RuntimeError, match="ended with 2"):
        speed.child([speed.COMMAND, "even", "/nowhere.wav"])
