"""Pictures of a drum's rounds: what is drawn is what the history holds."""

from dataclasses import replace

import numpy as np
import pytest

from drumtune.advice.rounds import History
from drumtune.plots import style
from drumtune.plots.log import draw_pitch, draw_spread, overview


def history(count=5, days=1.0):
    rng = np.random.default_rng(1)
    spread = np.linspace(90.0, 8.0, count)
    return History(
        tuple(range(3, 3 + count)), days * np.arange(count), "2031-03-01", "13:30", rng.normal(0, 20, (count, 8)),
        np.full((count, 8), 3.0), spread, np.full(count, 4.0), np.linspace(180.0, 184.0, count),
        np.append(spread[1:], np.nan),
    )  # fmt: skip


def test_spread_is_drawn_as_read_and_as_expected():
    axes = style.figure(3.0).subplots()
    draw_spread(axes, "floor", history())
    told, (_, labels) = history(), axes.get_legend_handles_labels()
    assert labels == [
        "as expected of the moves before", "even enough: 20 cents", "as far as rounds go: 5 cents", "as read",
    ]  # fmt: skip
    expected = next(line for line in axes.lines if line.get_marker() == "D")
    assert list(expected.get_xdata()) == [2, 3, 4, 5]
    assert list(expected.get_ydata()) == pytest.approx(list(told.expected[:-1]))
    assert [label.get_text() for label in axes.get_xticklabels()] == ["3", "4", "5", "6", "7"]


def test_what_is_expected_of_the_next_round_is_said_to_be_next():
    told, axes = history(), style.figure(3.0).subplots()
    draw_spread(axes, "floor", replace(told, expected=np.append(told.expected[:-1], 6.0)))
    (text,) = axes.texts
    assert (text.get_text(), text.xy) == ("next", (6, 6.0))


@pytest.mark.parametrize(("days", "unit"), [(0.01, "minutes"), (0.5, "hours"), (5.0, "days"), (40.0, "months")])
def test_time_is_told_in_a_unit_that_suits(days, unit):
    axes = style.figure(3.0).subplots()
    draw_pitch(axes, history(days=days))
    since = "13:30 UTC on 2031-03-01" if days < 1.0 else "2031-03-01"
    assert axes.get_xlabel() == f"{unit} since {since}"
    assert list(axes.lines[0].get_ydata()) == pytest.approx(list(history().frequency))


@pytest.mark.parametrize("count", [1, 2, 40])
def test_every_rod_has_its_strip_and_nothing_collides(count):
    """Warnings (of the layout too) are errors here."""
    figure = overview("floor", history(count))
    figure.canvas.draw()
    labels = [axes.get_ylabel() for axes in figure.axes]
    assert labels == ["spread, cents", *(f"rod {rod}" for rod in range(1, 9)), "(1,1) pair, Hz"]
