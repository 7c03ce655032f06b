"""Lessons: text, sounds and answers against the modules they are made from, and against each other by seed."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drumtune.advice.lesson import ear, head, heads, time, whole
from drumtune.advice.lesson.subject import PEAK, RATE, Subject, check
from drumtune.drum import INCH, Drum, Head
from drumtune.errors import StandError
from drumtune.physics import air, feel, held_head, two_heads
from drumtune.physics.hearing import exposure_time
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads

RADIUS = 6 * INCH
TOP_HEAD, LOW_HEAD = Head.of_film(RADIUS, 10), Head.of_film(RADIUS, 7.5)
SUBJECT = Subject("a tom", Drum(TOP_HEAD, 6), TwoHeads(TOP_HEAD, LOW_HEAD, 8 * INCH), 216.5, 3.0)


@pytest.fixture(scope="module")
def lessons():
    return {seed: tuple(chapter(SUBJECT, seed) for chapter in whole.CHAPTERS) for seed in (1, 2)}


def by_key(chapters, key):
    return next(chapter for chapter in chapters if chapter.key == key)


def peaks(sound, count):
    """Frequencies of the strongest local peaks of a spectrum of 8 seconds' resolution, Hz, rising."""
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size), 8 * RATE))
    inside = (spectrum[1:-1] > spectrum[:-2]) & (spectrum[1:-1] >= spectrum[2:])
    places = 1 + np.flatnonzero(inside)
    return np.sort(places[np.argsort(-spectrum[places])[:count]] / 8.0)


def test_the_chapters_come_in_the_order_they_are_taught(lessons):
    assert [c.key for c in lessons[1]] == [
        "modes", "uneven", "top", "bottom", "after-note", "damping", "intervals", "care",
    ]  # fmt: skip


def test_every_chapter_has_text_sounds_and_a_question_with_one_answer(lessons):
    for chapter in lessons[1]:
        assert chapter.text
        assert chapter.clips
        question = chapter.question
        assert 0 <= question.answer < len(question.choices)
        assert len(set(question.choices)) == len(question.choices)
        assert question.clips
        assert question.why


def test_sounds_have_their_own_names_and_stay_below_full_scale(lessons):
    for chapters in lessons.values():
        clips = [clip for c in chapters for clip in (*c.clips, *c.question.clips)]
        names = [clip.name for clip in clips]
        assert len(set(names)) == len(names)
        for clip in clips:
            assert 0.001 < np.abs(clip.samples).max() <= PEAK + 1e-12
            assert abs(clip.samples[-1]) < 1e-6


def test_lessons_of_two_seeds_ask_other_questions(lessons):
    asked = {
        seed: [(c.question.answer, c.question.choices, c.question.why) for c in found]
        for seed, found in lessons.items()
    }
    assert asked[1] != asked[2]
    uneven = [by_key(found, "uneven").shown.reading.pulls_cents for found in lessons.values()]
    assert np.abs(uneven[0] - uneven[1]).max() > 5.0


def test_one_seed_gives_one_lesson(lessons):
    again = head.uneven(SUBJECT, 1)
    assert again.text == by_key(lessons[1], "uneven").text
    assert_allclose(again.question.clips[0].samples, by_key(lessons[1], "uneven").question.clips[0].samples, atol=0.0)


def test_each_mode_is_heard_at_its_own_pitch(lessons):
    """air.frequency, itself checked against the timpani head's printed ratios, gives the pitches."""
    chapter = by_key(lessons[1], "modes")
    for mode, clip in zip(chapter.shown, chapter.clips, strict=False):
        wanted = float(air.frequency(TOP_HEAD, SUBJECT.single_tension, mode.m, mode.n))
        assert mode.frequency == pytest.approx(wanted, rel=1e-9)
        assert peaks(clip.samples, 1)[0] == pytest.approx(wanted, abs=1.0)  # a line dying in 0.1 s is that wide


def test_the_answer_about_modes_is_the_mode_that_sounds(lessons):
    for chapters in lessons.values():
        chapter = by_key(chapters, "modes")
        right = chapter.shown[chapter.question.answer]
        assert peaks(chapter.question.clips[0].samples, 1)[0] == pytest.approx(right.frequency, abs=1.0)


def test_the_answer_about_beats_is_how_often_the_sound_beats(lessons):
    """Two lines in step have the power cos^2(pi split t) exp(-2 rate t): the choice that fits best is right."""
    for chapters in lessons.values():
        chapter = by_key(chapters, "uneven")
        question, rate = chapter.question, 3.0 * np.log(10.0) / chapter.shown.decay
        power = np.convolve(question.clips[0].samples ** 2, np.hanning(1200), mode="same")[: 2 * RATE]
        t = np.arange(power.size) / RATE
        models = [np.cos(np.pi * float(c) * t) ** 2 * np.exp(-2.0 * rate * t) for c in question.choices]
        fits = [power @ model / np.linalg.norm(power) / np.linalg.norm(model) for model in models]
        assert int(np.argmax(fits)) == question.answer
        assert max(fits) > 0.98  # the mean over 27 ms rounds the start


def test_what_is_heard_at_a_rod_lies_between_the_two_lines(lessons):
    shown = by_key(lessons[1], "uneven").shown
    for rod in shown.reading.rods:
        assert shown.pair[0] <= rod.heard_hz <= shown.pair[1]
    assert abs(shown.reading.pulls_cents.sum()) < 1e-9


def test_the_top_heads_feel_does_not_hang_on_the_bottom_head(lessons):
    """Figures of physics.feel at the tension of each step; the note is that of the coupled pair."""
    shown = by_key(lessons[1], "top").shown
    for i in (0, 6):
        tension = float(held_head.held_tension(SUBJECT.shell, shown.top_hz[i], 1, TOP))
        assert shown.stiffness[i] == pytest.approx(float(feel.stiffness(TOP_HEAD, tension)))
        assert shown.contact[i] == pytest.approx(feel.contact_time(TOP_HEAD, tension))
    assert np.all(np.diff(shown.stiffness) > 0.0)
    assert np.all(np.diff(shown.contact) < 0.0)


def test_the_answer_about_feel_is_the_tighter_of_the_two(lessons):
    """A tighter top head sounds its (1,1) higher: its strongest line between 150 and 350 Hz near the (1,1) pair."""
    for chapters in lessons.values():
        question = by_key(chapters, "top").question
        stays = [float(part.split(" ms")[0].split()[-1]) for part in question.why.split(": ")[1].split(", ")]
        assert stays[question.answer] == min(stays)
        notes = [peaks(clip.samples, 3)[0] for clip in question.clips]
        assert int(np.argmax(notes)) == question.answer


def test_the_five_bottom_heads_go_from_below_to_above_with_equal_heads_among_them(lessons):
    tone = by_key(lessons[1], "bottom").shown
    assert len(tone.offsets) == 5
    assert tone.offsets[0] < -4 < 0.0 in tone.offsets
    assert tone.offsets[-1] > 4


def test_the_answer_about_the_bottom_head_sounds_its_note(lessons):
    for chapters in lessons.values():
        chapter = by_key(chapters, "bottom")
        tone, question = chapter.shown, chapter.question
        offset = tone.offsets[question.answer]
        low = float(tone.scan.low[np.flatnonzero(tone.scan.semitones == offset)[0]])
        assert np.min(np.abs(peaks(question.clips[0].samples, 6) - low)) < 1.5


def test_the_answer_about_the_after_note_is_its_fall(lessons):
    """The law integrated by hand from 40 to 120 ms."""
    for chapters in lessons.values():
        chapter = by_key(chapters, "after-note")
        question, rate = chapter.question, chapter.shown.laws["hard"].rate
        start = float(question.why.split("began ")[1].split()[0])
        t = np.linspace(0.04, 0.12, 2001)
        mean = np.mean(np.sqrt(1.0 + (2.0 ** (start / 600.0) - 1.0) * np.exp(-2.0 * rate * t)))
        assert question.choices[question.answer] == f"{1200.0 * math.log2(mean):.0f} cents"


def test_damping_shortens_every_mode_and_the_answer_is_the_sound_that_dies_first(lessons):
    for chapters in lessons.values():
        chapter = by_key(chapters, "damping")
        assert all(change.after_s < change.before_s for change in chapter.shown)
        late = [float(np.sum(clip.samples[round(0.4 * RATE) :] ** 2)) for clip in chapter.question.clips]
        assert int(np.argmin(late)) == chapter.question.answer


@pytest.mark.parametrize("place", range(len(ear.INTERVALS)))
def test_intervals_are_what_they_are_called(lessons, place):
    low, *highs = by_key(lessons[1], "intervals").shown
    step, high = ear.INTERVALS[place], highs[place]
    assert 12.0 * math.log2(high.note / low.note) == pytest.approx(step, abs=1e-6)
    sounded = float(two_heads.pair_frequencies(high.shell, high.top, high.bottom)[0])
    assert sounded == pytest.approx(high.note, rel=1e-5)


def test_the_answer_about_hearing_is_the_step_of_level(lessons):
    for chapters in lessons.values():
        question = by_key(chapters, "care").question
        step = float(question.choices[question.answer].split()[0])
        sound, gap = question.clips[0].samples, round(1.1 * RATE)
        first, second = (np.abs(part).max() for part in (sound[:gap], sound[gap:]))
        assert 20.0 * math.log10(first / second) == pytest.approx(step, abs=0.01)


def test_the_times_are_those_of_the_limit(lessons):
    """NIOSH publ. 98-126: 8 h at 85 dBA, halved every 3 dB."""
    minutes = by_key(lessons[1], "care").shown
    assert minutes[0] == pytest.approx(480.0)
    assert float(exposure_time(94.0)) / 60.0 == pytest.approx(60.0)


def test_the_sliders_data_is_the_coupled_drum():
    """Cells against the pair of two_heads at the tensions that give the pitches."""
    data = heads.bench(SUBJECT)
    for t, b in ((0, 3), (6, 15), (12, 20)):
        cell = data["rows"][t][b]
        top, low = (
            float(held_head.held_tension(SUBJECT.shell, hz, 1, which))
            for hz, which in ((data["top_hz"][t], TOP), (data["bottom_hz"][b], BOTTOM))
        )
        found = two_heads.pair_frequencies(SUBJECT.shell, top, low)
        assert_allclose([cell["low"], cell["high"]], found, rtol=1e-4)  # five digits are kept
        lines = np.array([line[0] for line in cell["lines"]])
        for m in (0, 1, 2):
            for wanted in two_heads.pair_frequencies(SUBJECT.shell, top, low, m):
                assert np.min(np.abs(lines / wanted - 1.0)) < 1e-4
    assert data["start"] == [6, 15]


def test_a_drum_that_cannot_be_tuned_so_is_refused():
    with pytest.raises(StandError, match="bottom head"):
        check(Subject("x", SUBJECT.drum, SUBJECT.shell, 216.5, 60.0))


def test_progress_ends_short_of_done_before_the_sliders(monkeypatch):
    told = []
    monkeypatch.setattr(whole, "CHAPTERS", (ear.care, time.after_note))
    made = whole.lesson(SUBJECT, 3, told.append)
    assert told == [1 / 3, 2 / 3]
    assert [c.key for c in made.chapters] == ["care", "after-note"]
