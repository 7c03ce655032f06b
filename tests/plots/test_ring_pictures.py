"""Pictures of a hit hold what was read: fits with their times, the note, lines at their places, changes in words."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from drumtune.advice.damping import Change
from drumtune.advice.ring import read_hits
from drumtune.cli.ring_words import Answer
from drumtune.dsp.decay_map import decay_map
from drumtune.plots import ring, style

FS = 44100
LINES = ((110.0, 0.9, 1.0), (170.0, 0.8, 0.5), (224.0, 0.7, 0.4))
CHANGES = (
    Change(110.0, -3.0, 0.9, 0.88, -2.2, sure=False, mode=(0, 1)),
    Change(170.0, -12.0, 0.8, 0.4, -50.0, sure=True, mode=None),
    Change(224.0, 0.0, 0.7, 0.9, 28.6, sure=True, mode=None),
)


@pytest.fixture(scope="module")
def hit():
    times = np.arange(int(1.5 * FS)) / FS
    made = sum(a * 10 ** (-3 * times / t) * np.cos(2 * np.pi * f * times) for f, t, a in LINES)
    noise = 1e-4 * np.random.default_rng(3).standard_normal(times.size)
    return read_hits(0.3 * made + noise, FS)[0]


@pytest.fixture(scope="module")
def picture(hit):
    return decay_map(hit.signal, hit.rate, hit.lines)


@pytest.fixture
def axes():
    return Figure().subplots()


def labels(axes):
    return [text.get_text() for text in axes.get_legend().get_texts()]


def test_the_level_picture_names_each_fit_with_its_time(axes, hit):
    ring.level_decay(axes, hit)
    figures = hit.figures
    for name, figure in (("EDT", figures.edt), ("T20", figures.t20), ("T30", figures.t30)):
        assert any(label.startswith(f"{name} {figure.value:.2f} s") for label in labels(axes))
    assert "noise floor" in [text.get_text() for text in axes.texts]


def test_the_noise_floor_is_named_inside_the_picture_and_under_its_line(hit):
    figure = style.figure(ring.HEIGHTS[0])
    axes = figure.subplots()
    ring.level_decay(axes, hit)
    figure.draw_without_rendering()
    box = next(text for text in axes.texts if text.get_text() == "noise floor").get_window_extent()
    assert axes.bbox.y0 < box.y0
    assert box.y1 < axes.transData.transform((0.0, hit.decay.floor_db))[1]


def test_a_fitted_line_has_the_slope_of_its_figure(axes, hit):
    ring.level_decay(axes, hit)
    line = next(line for line in axes.lines if line.get_label().startswith("T30"))
    slope = np.diff(line.get_ydata()[:2])[0] / np.diff(line.get_xdata()[:2])[0]
    assert -60.0 / slope == pytest.approx(hit.figures.t30.value)


def test_the_map_is_dark_where_the_lines_are(hit, picture):
    """The loudest row of the map 0.2 s after the stroke lies at the strongest line, within a bin of 2.5 Hz."""
    column = picture.levels[:, np.searchsorted(picture.times, 0.2)]
    assert picture.frequencies[np.argmax(column)] == pytest.approx(110.0, abs=2.5)
    assert picture.levels.max() == 0.0
    medians = [float(np.median(track.frequencies)) for track in picture.tracks]
    assert medians == pytest.approx([110.0, 170.0, 224.0], rel=0.005)


def test_the_decay_picture_names_the_lines_with_their_decay(axes, hit, picture):
    ring.decay_picture(axes, picture, hit)
    said = " ".join(text.get_text() for text in axes.texts)
    for partial in hit.partials:
        assert f"{partial.frequency_hz:.0f} Hz: {partial.decay_s:.2f} s" in said


def near(y, pitch):
    return abs(float(np.median(y)) / pitch - 1.0) < 0.02


def test_a_line_in_the_decay_picture_is_as_long_as_its_decay_says(axes, hit, picture):
    """Solid and dotted together end where the line has fallen by 60 dB; solid is never longer than that."""
    ring.decay_picture(axes, picture, hit)
    for partial in hit.partials:
        drawn = [line for line in axes.lines if near(line.get_ydata(), partial.frequency_hz)]
        (solid,) = [line for line in drawn if len(line.get_xdata()) > 2]
        (dotted,) = [line for line in drawn if line.is_dashed()]
        assert dotted.get_xdata()[1] == pytest.approx(partial.decay_s)
        assert solid.get_xdata()[-1] == pytest.approx(dotted.get_xdata()[0])


def test_a_line_that_dies_beside_a_lasting_one_is_not_followed_into_it():
    """A line that is 60 dB down after 0.25 s, beside one of 1.5 s: followed from 10 ms on, so for no more than 0.26."""
    times = np.arange(int(2.0 * FS)) / FS
    pair = ((216.0, 1.5, 0.5), (259.0, 0.25, 1.0))
    made = sum(a * 10 ** (-3 * times / t) * np.cos(2 * np.pi * f * times) for f, t, a in pair)
    hit = read_hits(0.2 * made + 1e-4 * np.random.default_rng(5).standard_normal(times.size), FS)[0]
    long, short = decay_map(hit.signal, hit.rate, hit.lines).tracks
    assert near(short.frequencies, 259.0)
    assert short.times[-1] <= 0.262
    assert long.times[-1] > 0.5


def test_names_in_the_decay_picture_stand_apart_however_near_their_lines():
    wanted = np.array([100.0, 101.0, 102.0, 400.0, 499.0, 500.0])
    heights = ring._apart(wanted, 30.0, 500.0)
    assert np.diff(heights).min() >= 30.0 - 1e-9
    assert heights[-1] <= 500.0
    assert heights[3] == 400.0


def test_the_after_note_says_where_it_settles(axes, hit):
    ring.after_note(axes, hit)
    assert "heard: settles at 110.0 Hz, A2 0 cents" in labels(axes)


def test_the_pitch_heard_is_drawn_where_it_is_sure_and_inside_the_picture(axes):
    """A neighbour ten times as fast to die, and noise: no point of the curve leaves the axes."""
    times = np.arange(int(1.5 * FS)) / FS
    made = np.exp(-7.0 * times) * np.cos(2 * np.pi * 134 * times)
    made += 2.0 * np.exp(-70.0 * times) * np.cos(2 * np.pi * 170 * times)
    hit = read_hits(0.1 * made + 1e-3 * np.random.default_rng(2).standard_normal(times.size), FS)[0]
    ring.after_note(axes, hit)
    heard = np.asarray(axes.lines[0].get_ydata())
    low, high = axes.get_ylim()
    assert np.isfinite(heard).sum() > 50
    assert np.all((heard >= low) & (heard <= high) | np.isnan(heard))


def test_pictures_of_one_of_several_hits_say_which(hit):
    one, several = (Answer(hits, (), None) for hits in ((hit,), (hit, hit, hit)))
    assert one.shown_name == ""
    figure = ring.overview(several.shown, None, (), several.shown_name)
    assert figure.get_suptitle() == f"Hit 1 of 3, at {hit.start_s:.2f} s"


def test_before_and_after_differ_in_shape_and_word(axes):
    ring.before_after(axes, CHANGES)
    assert [text.get_text() for text in axes.texts] == ["no sure change", "50 % shorter", "29 % longer"]
    markers = [line.get_marker() for line in axes.lines if line.get_marker() != "None"]
    assert markers == ["o", "<", "o", "<", "o", ">"]


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_all_pictures_reach_a_file(hit, picture, tmp_path, kind):
    path = tmp_path / f"ring.{kind}"
    style.save(ring.overview(hit, picture, CHANGES), path)
    assert path.stat().st_size > 10_000


def test_a_hit_too_short_for_a_map_is_still_drawn(hit):
    assert len(ring.overview(hit, None).axes) == 2


def test_a_map_of_too_little_sound_is_refused():
    with pytest.raises(ValueError, match=r"needs 0\.2 s"):
        decay_map(np.zeros(100), FS, None)
