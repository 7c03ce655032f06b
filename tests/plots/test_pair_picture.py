"""Pictures of the two heads: what is drawn is what was computed, and spans are named in words."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from drumtune.advice.pair import scan, tune
from drumtune.advice.pair_aims import parse_aim, rank, spans
from drumtune.advice.pair_sound import motion
from drumtune.drum import INCH, Head
from drumtune.physics.two_heads import TwoHeads
from drumtune.plots import pair, style

TUNING = tune(TwoHeads(Head.of_film(6 * INCH, 10.0), Head.of_film(6 * INCH, 7.5), 8 * INCH), 150.0)
SCAN = scan(TUNING, np.arange(-12.0, 13.0))
EQUAL = scan(TUNING, [0.0])


@pytest.fixture
def axes():
    return Figure().subplots()


def words(axes):
    return " ".join(text.get_text() for text in axes.texts)


def test_both_branches_and_both_heads_alone_are_drawn(axes):
    pair.branches(axes, SCAN)
    drawn = [line.get_ydata() for line in axes.lines]
    for wanted in (SCAN.low, SCAN.high, SCAN.alone[:, 0], SCAN.alone[:, 1]):
        assert any(len(y) == len(wanted) and np.allclose(y, wanted) for y in drawn)


def test_branches_differ_in_shape_as_well_as_colour(axes):
    pair.branches(axes, SCAN)
    marked = [line for line in axes.lines if line.get_marker() not in ("None", "")]
    assert len({line.get_marker() for line in marked}) == len({line.get_color() for line in marked}) == 2


def test_where_heads_beat_is_said_in_words(axes):
    pair.beat(axes, SCAN)
    assert "beats" in words(axes)
    assert f"{SCAN.beat[12]:.1f} a second" in words(axes)


@pytest.mark.parametrize("aim", ["long", "short", "open", "no-beats", "note A2"])
def test_the_recommended_span_is_shaded_ranked_and_named(axes, aim):
    wish = parse_aim(aim)
    pair.branches(axes, SCAN)
    pair.mark(axes, wish, rank(SCAN, wish, EQUAL), spans(SCAN, wish), words=True)
    assert f"best for {wish.note or wish.kind}" in words(axes)
    assert "1." in words(axes)
    assert len(axes.patches) == len(spans(SCAN, wish))


def test_the_heads_are_drawn_within_their_axes(axes):
    shape = np.stack([np.linspace(1.0, 0.0, 30), np.linspace(-1.0, 0.0, 30)])
    pair.heads(axes, np.linspace(0.0, 1.0, 30), shape, "lower")
    low, high = axes.get_ylim()
    for line in axes.lines:
        assert low < np.min(line.get_ydata()) < high
        assert low < np.max(line.get_ydata()) < high
    assert "top" in words(axes)
    assert "bottom" in words(axes)


def test_the_same_picture_gives_the_same_bytes(tmp_path):
    wish = parse_aim("open")
    shown = motion(TUNING, 5.0, np.linspace(0.0, 1.0, 60))
    for name in ("a.svg", "b.svg"):
        style.save(pair.overview(SCAN, wish, rank(SCAN, wish, EQUAL), spans(SCAN, wish), shown), tmp_path / name)
    sizes = [(tmp_path / name).stat().st_size for name in ("a.svg", "b.svg")]
    assert sizes[0] == sizes[1]
