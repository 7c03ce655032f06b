"""The screen and the keys of `drumtune listen`, without a microphone."""

import io

import pytest
from rich.console import Console

from drumtune.advice import round as rounds
from drumtune.advice.turns import Move
from drumtune.cli import live_job
from drumtune.cli.live_terminal import Table, Told


@pytest.fixture
def table(tmp_path):
    log = tmp_path / "log.sqlite3"
    live_job.describe(log, {"name": "lab", "diameter_in": 10, "depth_in": 9, "rods": 6, "top": {"film_mil": 10}})
    return Table(Told(log, "lab", 2, False, False))


def shown(table, width=80):
    out = io.StringIO()
    Console(file=out, width=width, color_system=None).print(table.screen())
    return out.getvalue()


def test_the_screen_shows_the_rod_in_large_letters_and_the_rim_strip(table):
    table.tell(table.session.do(rounds.Struck(1.0, 0.3)))
    text = shown(table)
    assert "R  O  D     1" in text
    assert "●○" in text
    assert ">   1" in text
    assert "1/2   0/2" in text
    assert "Rod 1: tap 1 of 2." in text
    assert max(len(line) for line in shown(table, 60).splitlines()) <= 60


def test_keys_repeat_skip_and_go_back_and_unknown_ones_do_nothing(table):
    assert table.key("s")
    assert table.session.state.due == 2
    assert table.key("b")
    assert table.key("?")
    assert table.key("")
    assert table.key("7")
    assert not table.key("q")


def test_moves_are_ticked_by_their_number_and_said_by_word(table):
    for i in range(12):
        table.session.do(rounds.Struck(1.0 + 1.5 * i, 0.3))
    table.tell(table.session.found("uneven", (Move(1, 4, "raise", 0.125), Move(2, 1, "lower", 0.0625))))
    assert "[ ] 1. rod 4: raise, 1/8 turn" in shown(table)
    assert table.key("1")
    assert "[x] 1. rod 4: raise, 1/8 turn" in shown(table)
    assert table.key("9")
    assert "there is no move 9" in shown(table)
    assert table.key("n")
    assert table.session.state.turned == (0.0, 0.0, 0.0, 0.125, 0.0, 0.0)


def test_a_round_without_a_drum_is_refused_in_one_line(command):
    assert command("listen")[2] == "drumtune: say which drum: --drum NAME (drumtune stand new describes one)\n"
