"""The screen and the keys of `drumtune listen`, without a microphone."""

import io
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from rich.console import Console

from drumtune.advice import round as rounds
from drumtune.advice.turns import Move
from drumtune.cli import live_job
from drumtune.cli.live_letters import ROWS, large
from drumtune.cli.live_terminal import Show, Table, Told
from drumtune.cli.live_terminal import _waited as waited
from drumtune.errors import TakeError

MOVES = (Move(1, 4, "raise", 0.125), Move(2, 1, "lower", 0.0625))
RATE = 16000.0


@pytest.fixture
def aside():
    with ThreadPoolExecutor(1) as threads:
        yield threads


@pytest.fixture
def table(aside):
    return Table(Told("lab", 6, None, 2), None, aside)


def shown(table, width=80):
    out = io.StringIO()
    Console(file=out, width=width, color_system=None).print(table.screen())
    return out.getvalue()


def tapped(count):
    """Strokes of one made head in a little noise, as far as taps need to be heard."""
    rng = np.random.default_rng(2)
    samples = 1e-4 * rng.standard_normal(round((1.5 * count + 2.0) * RATE))
    time = np.arange(round(0.8 * RATE)) / RATE
    ring = 0.3 * np.sin(2 * np.pi * 180 * time) * np.exp(-time / 0.2)
    ring[:64] += 0.05 * rng.standard_normal(64)
    for i in range(count):
        start = round((0.6 + 1.5 * i) * RATE)
        samples[start : start + ring.size] += ring
    return samples


def fed(table, samples):
    for start in range(0, samples.size, 512):
        table.tell(table.session.feed(samples[start : start + 512]))
    return table


def test_the_screen_shows_the_rod_in_large_letters_and_the_rim_strip(table):
    table.tell(table.session.do(rounds.Struck(1.0, 0.3)))
    text = shown(table)
    assert large("ROD 1", 76).splitlines()[0] in text
    assert "●○" in text
    assert ">   1" in text
    assert "1/2   0/2" in text
    assert "Rod 1: tap 1 of 2." in text


def test_large_letters_are_five_rows_and_fit_or_are_spaced_out():
    for text in ("ROD 12", "READ", "DONE", "?"):
        lines = large(text, 76).splitlines()
        assert len(lines) == ROWS
        assert max(map(len, lines)) <= 76
    assert large("ROD 12", 40) == "R  O  D     1  2"
    assert large("ä1", 40) == "ä  1"


def test_a_narrow_terminal_gets_the_rod_spaced_out(table):
    out = io.StringIO()
    Console(file=out, width=30, color_system=None).print(table.screen(26))
    assert "R  O  D     1" in out.getvalue()


def test_what_is_heard_at_a_rod_is_shown_as_it_comes_in(aside):
    table = Table(Told("lab", 4, None, 1), None, aside)
    table.session.listen(RATE)
    fed(table, tapped(2))
    assert "Hz      180   180" in shown(table)  # the sine that was put in


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
    table.tell(table.session.found("uneven", MOVES))
    assert "[ ] 1. rod 4: raise, 1/8 turn" in shown(table)
    assert large("ROD 4", 76).splitlines()[0] in shown(table)
    assert table.key("1")
    assert "[x] 1. rod 4: raise, 1/8 turn" in shown(table)
    assert table.key("9")
    assert "there is no move 9" in shown(table)
    assert table.key("n")
    assert table.session.state.turned == (0.0, 0.0, 0.0, 0.125, 0.0, 0.0)


def test_the_space_bar_ticks_the_next_move_whatever_its_number(table):
    moves = tuple(Move(order, 1 + order % 6, "raise", 0.125) for order in range(1, 12))
    assert table.key(" ")  # without moves it means nothing
    for i in range(12):
        table.session.do(rounds.Struck(1.0 + 1.5 * i, 0.3))
    table.tell(table.session.found("uneven", moves))
    for _ in range(12):
        assert table.key(" ")
    assert table.session.state.ticked == tuple(range(1, 12))


def test_a_reading_that_comes_while_the_microphone_is_away_ends_a_command_that_wants_one_only(aside):
    answer = live_job.Answer({"rods": [{"pull_cents": 0.0}] * 4}, MOVES, "uneven", "text")
    away = threading.Event()

    def slow(take, turned):
        assert away.wait(30.0)
        return answer

    table = Table(Told("lab", 4, None, 1, once=True), slow, aside)
    table.session.listen(RATE)
    fed(table, tapped(4))
    assert not table.go_on()
    away.set()
    aside.submit(int).result()
    assert not waited(Show(table, None, lambda: ""))
    assert table.answer is answer


def test_keys_and_level_go_on_while_the_head_is_read_and_a_reading_overtaken_by_the_player_is_dropped(aside):
    begun, done, read = threading.Event(), threading.Event(), []

    def slow(take, turned):
        begun.set()
        assert done.wait(30.0)
        read.append(len(take.groups))
        return live_job.Answer({"rods": [{"pull_cents": 0.0}] * 4}, MOVES, "uneven", "text")

    table = Table(Told("lab", 4, None, 1), slow, aside)
    table.session.listen(RATE)
    fed(table, tapped(4))
    assert not table.go_on()
    assert begun.wait(30.0)
    before = table.session.level
    table.session.feed(np.full(512, 0.9))
    assert table.session.level > before  # the meter goes on
    assert table.key("b")  # and the keys
    assert table.session.state.due == 4
    done.set()
    aside.submit(int).result()
    assert not table.go_on()
    assert table.session.state.phase == "tapping"
    assert table.session.state.turned == (0.0,) * 4  # what was turned before stands in the log with that reading
    table.session.listen(RATE)
    fed(table, tapped(1))
    assert not table.go_on()
    aside.submit(int).result()
    assert table.go_on()
    assert (table.session.state.phase, read) == ("moves", [4, 4])


def test_a_head_that_cannot_be_read_is_said_and_ends_the_command_only_if_one_reading_was_asked_for(aside):
    def fails(take, turned):
        raise TakeError("the microphone moved", reason="doubtful")

    for once in (False, True):
        table = Table(Told("lab", 4, None, 1, once), fails, aside)
        table.session.listen(RATE)
        fed(table, tapped(4))
        table.go_on()
        aside.submit(int).result()
        if once:
            with pytest.raises(TakeError, match="microphone moved"):
                table.go_on()
        else:
            assert not table.go_on()
            assert "No reading: the microphone moved" in shown(table)


def test_a_round_without_a_drum_or_with_too_much_said_is_refused_in_one_line(command, tmp_path):
    assert command("listen")[2].startswith("drumtune: describe the drum: give --diameter-in and --rods, or --drum")
    log = tmp_path / "log.sqlite3"
    live_job.describe(log, {"name": "lab", "diameter_in": 10, "depth_in": 9, "rods": 6, "top": {"film_mil": 10}})
    said = command("listen", "--drum", "lab", "--rods", 6, "--log", log)[2]
    assert said.startswith("drumtune: --drum says it all: leave out --rods")
    assert "no drum called 'tom'" in command("listen", "--drum", "tom", "--log", log)[2]
    assert "no drum called 'tom'" in command("serve", "--drum", "tom", "--log", log)[2]
