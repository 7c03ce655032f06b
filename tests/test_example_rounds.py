"""The example of rounds runs, and its hidden drum does what it says."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

PATH = Path(__file__).parents[1] / "docs" / "examples" / "rounds.py"


@pytest.fixture(scope="module")
def example():
    spec = importlib.util.spec_from_file_location("example_rounds", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_a_round_of_synth_even_and_turn_brings_the_hidden_drum_nearer(example, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["rounds.py", "--rounds", "1", "--seed", "4", "--checked"])
    example.main()
    told = capsys.readouterr().out
    before = int(told.split("true spread ")[1].split()[0])
    after = int(told.split("the true spread is ")[1].split()[0])
    assert after < before
    assert "rounds needed:" in told


def test_what_friction_holds_back_comes_with_the_next_round(example):
    hidden = example.hidden_drum(1, 8)
    start, turns = hidden.cents.copy(), np.full(8, 1.0 / 16.0)
    hidden.lag, hidden.misread = 0.25, 99
    hidden.turn(turns, careful=True)
    first = hidden.cents - start
    hidden.turn(np.zeros(8))
    assert hidden.cents - start == pytest.approx(first / 0.75)


def test_one_move_of_one_round_goes_wrong(example):
    """Each drum slips once; how it slips is drawn. Compared with the same hand that does not slip."""
    seen = set()
    for seed in range(12):
        slips, careful = example.hidden_drum(seed, 8), example.hidden_drum(seed, 8)
        slips.lag = careful.lag = 0.0
        turns = np.array([2, 0, -2, 0, 3, 0, 0, -1]) / 16.0
        for number in range(3):
            before = slips.cents.copy(), careful.cents.copy()
            for hidden in (slips, careful):
                hidden.rng = np.random.default_rng([seed, number])
                hidden.turn(turns, careful=hidden is careful)
            apart = (slips.cents - before[0]) - (careful.cents - before[1])
            assert bool(np.abs(apart).max() > 1.0) == (number == slips.misread)
            seen.add(slips.misread)
    assert seen == {0, 1, 2}
