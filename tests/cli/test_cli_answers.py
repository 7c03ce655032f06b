"""What is printed of a reading: the fixed names of the JSON, the table, the sentences."""

import csv
import json
from pathlib import Path

import pytest

from drumtune.advice.turns import Move, Plan
from drumtune.cli import documents, words
from drumtune.cli.job import Job

NAMES = {
    "stand", "take", "rods", "modes", "spread_cents", "spread_sd_cents", "verdict", "moves", "expected_spread_cents",
}  # fmt: skip
"""Names fixed by the main job's description, here and below."""
MOVES = (Move(1, 2, "raise", 0.25), Move(2, 6, "lower", 0.125))


@pytest.fixture
def job(made_reading):
    plan = Plan(MOVES, 22.0, 6.0, 4.0, ("Wear ear protection.",), ("Tap round again.",))
    return Job((Path("a/take.wav"),), 28.25, 44100.0, 3, made_reading(), plan, ("left out the sound at 3.20 s: knock",))


def strict(text):
    """Parse JSON, refusing what the standard does not know."""

    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def test_the_json_has_the_fixed_names(job):
    answer = strict(documents.as_json(job))
    assert set(answer) >= NAMES
    assert set(answer["take"]) == {"files", "duration_s", "sample_rate_hz", "warnings"}
    assert set(answer["rods"][0]) == {
        "rod", "pull_cents", "pull_sd_cents", "heard_hz", "heard_note", "heard_cents", "taps_used", "partials",
    }  # fmt: skip
    assert set(answer["rods"][0]["partials"][0]) == {"frequency_hz", "level_db"}
    assert set(answer["modes"][0]) == {"m", "n", "frequency_hz", "frequency_sd_hz", "decay_s"}
    assert set(answer["moves"][0]) == {"order", "rod", "action", "turns"}


def test_the_json_holds_the_values_of_the_reading(job):
    answer = strict(documents.as_json(job))
    assert answer["stand"]["diameter_in"] == 14.0
    assert answer["stand"]["film_mil"] == 10.0
    assert answer["take"]["files"] == ["a/take.wav"]
    assert [rod["pull_cents"] for rod in answer["rods"]] == [10.0, -30.0, 20.0, 5.0, -5.0, 40.0, -20.0, -20.0]
    assert answer["rods"][0]["heard_note"] == "F#3"  # 185.00 Hz, equal temperament with A4 = 440 Hz (ISO 16)
    assert answer["rods"][0]["heard_cents"] == pytest.approx(18.6, abs=0.1)  # 1200 log2(187/185)
    assert answer["moves"] == [
        {"order": 1, "rod": 2, "action": "raise", "turns": 0.25},
        {"order": 2, "rod": 6, "action": "lower", "turns": 0.125},
    ]
    assert answer["expected_spread_cents"] == 22.0


def test_what_is_not_finite_is_null_in_the_json(job):
    assert strict(documents.as_json(job))["modes"][3]["decay_s"] is None


def test_the_csv_reads_back_as_the_reading(job):
    rows = list(csv.DictReader(documents.as_csv(job).splitlines()))
    assert [float(row["pull_cents"]) for row in rows] == [10.0, -30.0, 20.0, 5.0, -5.0, 40.0, -20.0, -20.0]
    assert (rows[1]["action"], rows[1]["turns"]) == ("raise", "0.25")
    assert (rows[0]["action"], rows[0]["turns"]) == ("", "")


def test_people_are_told_verdict_moves_expectation_and_cautions(job):
    text = words.text(job)
    for sentence in (
        "14 inch head, 8 rods; 24 taps used in 28.2 s of sound (take.wav)",
        "Verdict: uneven. Spread 70 ± 4 cents, less what the scatter of taps adds.",
        "1. rod 2: raise, 1/4 turn",
        "2. rod 6: lower, 1/8 turn",
        "Spread expected afterwards: 22 ± 6 cents.",
        "left out the sound at 3.20 s: knock",
        "hum at 50 Hz was taken out",
        "Wear ear protection.",
    ):
        assert sentence in text


def test_every_rod_has_its_line_and_the_columns_stand_under_one_another(job):
    head, *rows = list(words.table(job.reading))
    assert len(rows) == 8
    assert len({len(row) for row in rows}) == 1
    assert abs(len(head) - len(rows[0])) <= 1


def test_an_unsure_reading_gives_its_reason_and_no_moves(job, made_reading):
    lines = [*words.judgement(made_reading(verdict="unsure")), *words.moves(Plan((), 70.0, 5.0), job.reading)]
    assert "  taps of one rod disagree" in lines
    assert lines[-1] == "No moves."


def test_an_even_head_is_left_alone(made_reading):
    assert list(words.moves(Plan((), 8.0, 3.0), made_reading((1.0, -1.0, 0.0, 2.0, -2.0), "even"))) == [
        "No moves: leave every rod as it is."
    ]
