"""Pictures of room and kit: words and shapes are there, nothing is cut off."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from drumtune.advice import room as advice
from drumtune.physics.room import Room
from drumtune.plots import kit, room, style

STUDIO = Room((6.0, 4.5, 2.8), reverberation=((500.0, 0.5),))


@pytest.fixture(scope="module")
def report():
    return advice.report(STUDIO, (1.3, 0.9, 0.6), (4.1, 3.2, 1.4), ("A1", "F#2", "G2", "B2", "D3"))


def texts(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def test_every_note_is_named_with_its_verdict(report):
    found = " ".join(texts(room.overview(report)))
    for note in report.notes:
        assert f"{note.name}\n{note.verdict}\n{round(note.gain_db) + 0.0:+.0f} dB" in found


def test_verdicts_differ_in_shape_as_well_as_colour():
    assert len({shape for shape, _ in room.MARKS.values()}) == 3
    assert len({colour for _, colour in room.MARKS.values()}) == 3


def test_labels_of_near_notes_do_not_cover_each_other(report, tmp_path):
    figure = room.overview(report)
    style.save(figure, tmp_path / "room.png")
    renderer = FigureCanvasAgg(figure).get_renderer()
    boxes = [text.get_window_extent(renderer) for text in figure.axes[0].texts if "dB" in text.get_text()]
    for i, one in enumerate(boxes):
        assert not any(one.overlaps(other) for other in boxes[i + 1 :])
        assert figure.bbox.containsx(one.x0)
        assert figure.bbox.containsx(one.x1)


def test_every_drum_has_its_note_on_the_kit(tmp_path):
    bars = [
        kit.Bar("rack", 90.0, 300.0, 164.814, 150.0),
        kit.Bar("floor", 50.0, 140.0, 92.499),
        kit.Bar("x", 60, 200, 101),
    ]
    figure = kit.overview(bars, lambda notes: 9.0 * np.sin(np.asarray(notes) / 9.0))
    style.save(figure, tmp_path / "kit.png")
    assert {"E3", "F#2", "now"} <= set(texts(figure))
    assert "G#2\N{MINUS SIGN}48" in texts(figure)  # 101 Hz is no note: cents are said
    words = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert words == ["room lifts", "room swallows"]


@pytest.mark.parametrize("apart", [-60.0, -15.0, 8.0, 45.0, 90.0])
def test_the_note_and_where_the_drum_is_now_are_written_apart(apart):
    figure = kit.overview([kit.Bar("rack", 90.0, 300.0, 164.8, 164.8 * 2.0 ** (apart / 1200.0))])
    figure.draw_without_rendering()
    now, note = (text.get_window_extent() for text in figure.axes[0].texts)
    assert not now.overlaps(note)


def test_a_band_of_the_room_begins_where_notes_are_judged_to_be_lifted():
    """A room that lifts every note above one: the band's edge lies there to two cents."""
    edge = 163.0
    axes = style.figure(6.0).subplots()
    kit.draw(axes, [kit.Bar("rack", 90.0, 300.0, 150.0)], lambda notes: np.where(np.asarray(notes) > edge, 6.0, 0.0))
    band = next(made for made in axes.collections)
    lowest = band.get_paths()[0].get_extents().y0
    assert lowest == pytest.approx(float(kit.number_of(edge)), abs=0.02)


def test_eight_drums_fit(tmp_path):
    bars = [kit.Bar(f"tom number {i}", 60.0 + 9 * i, 200.0 + 20 * i, 100.0 + 15 * i) for i in range(8)]
    figure = kit.overview(bars)
    style.save(figure, tmp_path / "kit.png")
    renderer = FigureCanvasAgg(figure).get_renderer()
    ticks = [label.get_window_extent(renderer) for label in figure.axes[0].get_xticklabels()]
    assert len(ticks) == 8
    assert all(figure.bbox.x0 <= box.x0 <= box.x1 <= figure.bbox.x1 for box in ticks)
