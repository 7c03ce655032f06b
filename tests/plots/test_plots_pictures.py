"""Pictures hold what the reading says: points at the pulls, moves in words, lines at their frequencies."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from numpy.testing import assert_allclose
from PIL import Image

from drumtune.advice.head_map import head_map
from drumtune.advice.turns import Move
from drumtune.errors import DrumtuneError
from drumtune.plots import head, overview, rim_strip, spectrum, style

MOVES = (Move(1, 2, "raise", 0.25), Move(2, 6, "lower", 0.0625))


@pytest.fixture(scope="module")
def seen(made_reading):
    """The map of the head for the reading made by hand."""
    return head_map(made_reading())


@pytest.fixture
def axes():
    return Figure().subplots()


def texts(axes):
    return [text.get_text() for text in axes.texts]


def test_the_rim_strip_shows_each_pull_with_its_deviation(axes, made_reading):
    reading = made_reading()
    rim_strip.draw(axes, reading)
    for bar, rod in zip(axes.containers, reading.rods, strict=True):
        (point, _, (line,)) = bar
        assert_allclose([point.get_xdata()[0], point.get_ydata()[0]], [rod.rod, rod.pull_cents])
        low, high = line.get_segments()[0][:, 1]
        assert_allclose((high - low) / 2.0, rod.pull_sd_cents)


def test_moves_differ_in_shape_word_and_colour(axes, made_reading):
    rim_strip.draw(axes, made_reading(), MOVES)
    assert texts(axes) == ["raise\n1/4 turn", "lower\n1/16 turn"]
    points = [bar[0] for bar in axes.containers]
    assert [points[1].get_marker(), points[5].get_marker(), points[0].get_marker()] == ["^", "v", "o"]
    assert {to_hex(points[1].get_color()).upper(), to_hex(points[5].get_color()).upper()} == {"#0072B2", "#D55E00"}


def test_nothing_is_drawn_outside_the_rim_strip(axes, made_reading):
    reading = made_reading((120.0, -150.0, 60.0, -30.0, 20.0, -20.0))
    rim_strip.draw(axes, reading, (Move(1, 1, "lower", 0.25), Move(2, 2, "raise", 0.25)))
    low, high = axes.get_ylim()
    assert low < -150.0 - 8.0
    assert high > 120.0 + 8.0


def test_an_even_head_looks_even(axes, made_reading):
    rim_strip.draw(axes, made_reading((1.0, -1.0, 0.5, 0.0, -0.5), "even"))
    assert axes.get_ylim()[1] >= rim_strip.LEAST_RANGE


def test_the_head_shows_at_the_rods_what_the_pulls_say(seen, made_reading):
    """Near the rim the tension runs with the pulls: the field is made of the same harmonics."""
    rim = seen.cents[-8:, :240:30].mean(axis=0)
    assert np.corrcoef(rim, made_reading().pulls_cents)[0, 1] > 0.98


def test_rod_one_is_at_the_top_and_rods_run_clockwise(seen):
    assert_allclose([seen.x[-1, 0], seen.y[-1, 0]], [0.0, 1.0], atol=1e-12)
    assert seen.x[-1, 60] == pytest.approx(1.0)


def test_the_two_nodal_lines_of_the_pair_cross_at_right_angles(seen):
    """The two modes of the pair are orthogonal and close to cos and sin of one angle."""
    pair = seen.pair[:, 30, :240]
    angles = np.angle((pair * np.exp(1j * np.linspace(0, 2 * np.pi, 241)[:-1])).sum(axis=1))
    assert np.abs(np.cos(angles[0] - angles[1])) < 0.1


def test_the_head_is_labelled_with_rods_and_a_legend_that_says_the_lines(axes, seen):
    head.draw(axes, seen, 8)
    assert [text for text in texts(axes) if text in set("12345678")] == list("12345678")
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["lower of the pair", "higher"]


@pytest.mark.parametrize("reach", [10.0, 40.0, 90.0, 200.0])
def test_cents_on_the_head_are_few_inside_the_rim_and_apart(made_reading, reach):
    figure = style.figure(overview.HEIGHTS[1])
    axes = figure.subplots()
    pulls = reach * np.cos(np.pi * np.arange(8)) + np.linspace(-3.0, 3.0, 8)
    head.draw(axes, head_map(made_reading(tuple(pulls))), 8)
    figure.draw_without_rendering()
    written = axes.texts[:-8]  # the last are the rods' numbers
    assert 3 <= len({text.get_text() for text in written}) <= head.MOST_LINES
    boxes = [text.get_window_extent() for text in written]
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[i + 1 :])
    for box in boxes:
        corners = axes.transData.inverted().transform(box.corners())
        assert np.hypot(corners[:, 0], corners[:, 1]).max() < 1.0
    assert not any("-" in text.get_text() for text in written)  # a true minus stands beside the lines


def test_the_spectrum_has_a_line_at_each_partial_and_the_stronger_is_longer(axes, made_reading):
    spectrum.draw(axes, made_reading())
    drawn = {}
    for line in axes.lines:
        x, y = line.get_xdata(), line.get_ydata()
        if abs(np.mean(x) - 1.0) < 1e-9:
            drawn[float(y[0])] = x[1] - x[0]
    assert sorted(drawn) == [187.0, 262.5, 334.0]
    assert drawn[262.5] > drawn[187.0] > drawn[334.0]


def test_the_heard_line_is_drawn_at_a_rod_where_others_are_stronger(axes, made_reading):
    """Rod 1 tells no line near what is heard there, 187 Hz; rod 2 tells it; at rod 3 nothing is heard."""
    reading = made_reading()
    one, two, three, *others = reading.rods
    strong = ((262.5, 0.0), (334.0, -12.0))
    one, three = replace(one, partials=strong), replace(three, partials=strong, heard_hz=float("nan"))
    spectrum.draw(axes, replace(reading, rods=(one, two, three, *others)))
    near = [line.get_ydata()[0] for line in axes.lines if abs(np.mean(line.get_xdata()) - 1.0) < 1e-9]
    assert sorted(near) == [pytest.approx(187.0), 262.5, 334.0]
    counts = [sum(abs(np.mean(line.get_xdata()) - rod) < 1e-9 for line in axes.lines) for rod in (2, 3)]
    assert counts == [3, 2]


def test_modes_too_close_to_name_apart_share_a_label(axes, made_reading):
    spectrum.draw(axes, made_reading())
    assert texts(axes) == ["(0,1)", "(1,1)", "(2,1)"]


@pytest.mark.parametrize(
    ("ending", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF"), ("PNG", b"\x89PNG")]
)
def test_a_figure_is_written_as_its_ending_says(tmp_path, made_reading, ending, begins):
    path = tmp_path / f"a.{ending}"
    figure = style.figure(4.0)
    rim_strip.draw(figure.subplots(), made_reading(), MOVES)
    style.save(figure, path)
    assert path.read_bytes().startswith(begins)
    assert list(tmp_path.iterdir()) == [path]


def test_another_ending_is_refused_and_nothing_is_written(tmp_path):
    with pytest.raises(DrumtuneError, match=r"\.png, \.svg or \.pdf, got 'a\.bmp'"):
        style.save(Figure(), tmp_path / "a.bmp")
    assert list(tmp_path.iterdir()) == []


def test_a_figure_that_cannot_be_drawn_leaves_no_file(tmp_path, monkeypatch):
    def fail(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Figure, "savefig", fail)
    with pytest.raises(DrumtuneError, match="No space left on device"):
        style.save(Figure(), tmp_path / "a.png")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("rods", [4, 5, 6, 10, 16])
def test_no_writing_leaves_the_picture_or_overlaps(made_reading, rods):
    """The words of the moves lie inside the figure and do not cover one another, however many there are."""
    pulls = tuple(40.0 * np.cos(2.3 * np.arange(rods)))
    moves = tuple(Move(i + 1, i + 1, "lower" if pull > 0 else "raise", 0.0625) for i, pull in enumerate(pulls))
    figure = style.figure(overview.HEIGHTS[0])
    strip = figure.subplots()
    rim_strip.draw(strip, made_reading(pulls), moves)
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in strip.texts]
    for box in boxes:
        assert figure.bbox.x0 <= box.x0 <= box.x1 <= figure.bbox.x1
        assert strip.bbox.y0 <= box.y0 <= box.y1 <= strip.bbox.y1
    overlapping = [(a, b) for i, a in enumerate(boxes) for b in boxes[i + 1 :] if a.overlaps(b)]
    assert overlapping == []


def luminance(color):
    """Relative luminance of sRGB (WCAG 2.1, definition of relative luminance)."""
    channels = [int(color[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("color", [style.INK, style.QUIET, style.RAISE, style.LOWER])
def test_writing_stands_out_from_white(color):
    """Contrast of at least 3 to 1 (WCAG 2.1, 1.4.11; its 4.5 for small text is met by all but vermilion, 3.7)."""
    assert 1.05 / (luminance(color) + 0.05) >= 3.0


def test_the_whole_overview_is_readable_at_the_width_of_a_phone(tmp_path, made_reading):
    """At 400 pixels the smallest writing is still 10 pixels high, from its size in points and the figure's width."""
    style.save(overview.overview(made_reading(), MOVES, head_map(made_reading())), tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as picture:
        width = picture.size[0]
    assert style.SMALL_SIZE / 72.0 * style.DOTS_PER_INCH * 400.0 / width >= 10.0
