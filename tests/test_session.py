"""A session against the take it is fed with: what is kept, what is given to the reading, what survives a stop."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from drumtune.advice import round as rounds
from drumtune.advice.turns import Move
from drumtune.dsp import stream
from drumtune.dsp.taps import find_taps
from drumtune.errors import TakeError
from drumtune.session import AFTER, BEFORE, RING, Session

TAKE = Path(__file__).parent / "data" / "taps" / "take13.flac"
RATE = 44100.0


@pytest.fixture(scope="module")
def sound():
    """A take of 6 rods x 3 taps, with two seconds of near silence after it."""
    samples, rate = soundfile.read(TAKE)
    assert rate in (RATE, 48000)
    return np.concatenate((samples, 1e-6 * np.random.default_rng(3).standard_normal(2 * rate))), float(rate)


def fed(session, samples, size=1000):
    said = []
    for start in range(0, samples.size, size):
        said += session.feed(samples[start : start + size])
    return said


def decimated(samples, rate, wanted):
    common = math.gcd(round(rate), round(wanted))
    return resample_poly(samples, round(wanted) // common, round(rate) // common)


def test_what_is_given_to_the_reading_are_the_taps_and_the_sound_of_the_take(sound):
    samples, rate = sound
    session = Session(6, 3)
    session.listen(rate)
    said = fed(session, samples)
    assert [message for message in said if message.kind == "wrong"] == []
    assert session.wants_reading
    take = session.take()
    whole = find_taps(samples, rate)
    late = whole.taps[0].onset - take.groups[0][0].onset
    flat = [tap.onset + late for taps in take.groups for tap in taps]
    assert np.allclose(flat, [tap.onset for tap in whole.taps], rtol=0, atol=1e-9)
    for tap in whole.taps:  # the very samples of the take, to the precision they are kept in
        start = round((tap.onset - 0.3) * rate)
        shift = round(late * rate)
        piece = take.samples[start - shift : start - shift + round(1.5 * rate)]
        assert np.abs(piece - samples[start : start + piece.size]).max() < 1e-7


def test_long_pauses_keep_their_length_and_cost_no_sound(sound):
    samples, rate = sound
    taps = find_taps(samples, rate).taps
    cut = round((taps[3].onset - 0.6) * rate)
    quiet = 1e-6 * np.random.default_rng(5).standard_normal(round(8 * rate))
    session = Session(6, 3)
    session.listen(rate)
    fed(session, np.concatenate((samples[:cut], quiet, samples[cut:])))
    onsets = [tap.onset for group in session.take().groups for tap in group]
    assert onsets[3] - onsets[2] == pytest.approx(taps[3].onset - taps[2].onset + quiet.size / rate, abs=1e-9)
    kept = sum(chunk.size for chunk in session._keep._kept.values()) / rate
    assert kept < 18 * (BEFORE + AFTER + 0.2)


def test_strokes_the_stream_has_forgotten_stay_as_they_were_judged(sound, monkeypatch):
    """A round of many taps and other sounds: the comparison remembers some of them only."""
    monkeypatch.setattr(stream, "MOST", 8)
    samples, rate = sound
    session = Session(6, 3)
    session.listen(rate)
    said = fed(session, samples)
    assert [message for message in said if message.kind == "wrong"] == []
    assert session.look_over() == ()
    assert [stroke.rod for stroke in session.state.strokes] == [rod for rod in range(1, 7) for _ in range(3)]


def test_a_tap_whose_ring_the_microphone_did_not_hear_to_the_end_is_asked_for_again(sound):
    samples, rate = sound
    onset = find_taps(samples, rate).taps[2].onset
    for after, counted in ((0.7, 2), (1.2, 3)):
        session = Session(6, 3)
        session.listen(rate)
        fed(session, samples[: round((onset + after) * rate)])
        assert len(session.state.taps(1)) == 3
        session.stop()
        assert len(session.state.taps(1)) == counted


def test_a_tap_counts_for_the_rod_that_was_due_when_it_was_played_though_it_casts_doubt_on_others(sound):
    """Three sounds of the rim, then real taps at rod 2 as asked for."""
    samples, rate = sound
    taps = find_taps(samples, rate).taps
    t = np.arange(round(0.4 * rate)) / rate
    rim = 0.3 * np.sin(2 * np.pi * 700 * t) * np.exp(-t / 0.08)
    lead = np.tile(samples[: round(0.3 * rate)], 13)
    for k in range(3):
        start = round((0.5 + 1.1 * k) * rate)
        lead[start : start + rim.size] += rim
    session = Session(6, 3)
    session.listen(rate)
    fed(session, np.concatenate((lead, samples[: round((taps[5].onset + 1.1) * rate)])))
    real = [stroke for stroke in session.state.strokes if stroke.time > lead.size / rate]
    doubted = [stroke for stroke in session.state.strokes if stroke.fault == "other"]
    assert [stroke.rod for stroke in doubted] == [1, 1, 1]
    voided = next(k for k, stroke in enumerate(real) if stroke.rod == 1)
    assert [stroke.rod for stroke in real[:voided]] == [2] * voided
    assert voided >= 1


def test_another_microphone_while_the_moves_are_made_leaves_them_ticked(sound):
    samples, rate = sound
    session = Session(6, 3)
    session.listen(rate)
    fed(session, samples)
    session.found("uneven", (Move(1, 2, "raise", 0.125),))
    session.do(rounds.Tick(1))
    assert session.listen(16000.0) == ()
    assert (session.state.phase, session.state.ticked) == ("moves", (1,))
    session.do(rounds.Next())
    fed(session, decimated(samples, rate, 16000.0))
    assert session.wants_reading
    assert session.take().sample_rate == 16000.0


def test_sound_of_a_round_whose_strokes_were_forgotten_does_not_hinder_another_microphone(sound, tmp_path):
    samples, rate = sound
    first = Session(6, 3, tmp_path)
    first.listen(rate)
    fed(first, samples[: round((find_taps(samples, rate).taps[0].onset + 0.7) * rate)])
    again = Session(6, 3, tmp_path)
    assert again.state.strokes == ()
    again.listen(16000.0)
    fed(again, decimated(samples, rate, 16000.0))
    assert again.look_over() == ()
    assert again.take().sample_rate == 16000.0


def test_a_stopped_program_goes_on_with_the_same_sound(sound, tmp_path):
    samples, rate = sound
    half = round((find_taps(samples, rate).taps[9].onset - 0.01) * rate)
    first = Session(6, 3, tmp_path)
    first.listen(rate)
    fed(first, samples[:half])
    again = Session(6, 3, tmp_path)
    assert again.state == first.state
    assert again.state.due in (3, 4)
    assert np.array_equal(again._keep.whole()[1], first._keep.whole()[1])


@pytest.mark.parametrize("before", [0.1, 0.02, 0.0, -0.03, -0.3])
def test_a_stroke_that_is_kept_stays_wherever_the_sound_sent_again_begins(sound, tmp_path, before):
    """`before` s before the fifth stroke, which was judged and is whole on the disk."""
    samples, rate = sound
    chunk = round(0.1 * rate)
    onset = round(find_taps(samples, rate).taps[4].onset * rate)
    spare = (onset - round(0.005 * rate)) % chunk  # without so much, the stroke is 5 ms after a border of what is kept
    samples, onset = samples[spare:], onset - spare
    first = Session(6, 3, tmp_path)
    first.listen(rate, "m")
    first.place("m", 0)
    fed(first, samples[: onset + round(2.9 * rate)])
    known = [stroke.time for stroke in first.state.strokes]
    again = Session(6, 3, tmp_path)
    again.listen(rate, "m")
    start = onset - round(before * rate)
    start += again.place("m", start)
    fed(again, samples[start:])
    assert [stroke.fault for stroke in again.state.strokes] == [""] * 18
    assert np.allclose([stroke.time for stroke in again.state.strokes][: len(known)], known)


@pytest.mark.parametrize("silence", [0.02, 0.05, 0.1, 0.15, 0.25, 0.4, 0.7])
def test_what_a_microphone_that_opens_sounds_like_is_no_stroke(sound, silence):
    """Digital silence, then the room's noise at once: at first that is all there is to compare with."""
    samples, rate = sound
    quiet = samples[: round(0.25 * rate)]
    samples = np.concatenate((quiet, quiet[::-1], samples))
    session = Session(6, 3)
    session.listen(rate)
    fed(session, np.concatenate((np.zeros(round(silence * rate)), samples)))
    session.look_over()
    assert session.state.phase == "reading"
    counted = [stroke.time for stroke in session.state.strokes if not stroke.fault]
    known = [tap.onset + silence for tap in find_taps(samples, rate).taps]
    assert np.allclose(counted, known, rtol=0, atol=2e-3)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"round": 3}', '{"rate": 1, "clock": 1e999, "round": {}}'])
def test_a_damaged_record_begins_the_round_anew(tmp_path, text):
    (tmp_path / "round.json").write_text(text)
    assert Session(6, 3, tmp_path).state == rounds.Round(6, 3)


@pytest.mark.parametrize(
    "damage",
    [
        lambda kept: kept.update(rate=math.nan),
        lambda kept: kept.update(rate=math.inf),
        lambda kept: kept.update(rate=-48000.0),
        lambda kept: kept.update(judged=math.nan),
        lambda kept: kept.update(mark=["a", math.inf, 0.0]),
        lambda kept: kept["round"].update(phase="odd", strokes=[]),
        lambda kept: kept["round"].update(due=99, strokes=[]),
        lambda kept: kept["round"].update(due=0, strokes=[]),
        lambda kept: kept["round"].update(turned=[0.0]),
        lambda kept: kept["round"].update(ticked=[1]),
        lambda kept: kept["round"].update(later=[0]),
        lambda kept: kept["round"]["strokes"][0].__setitem__(0, "x"),
        lambda kept: kept["round"]["strokes"][0].__setitem__(0, math.nan),
        lambda kept: kept["round"]["strokes"][0].__setitem__(1, 77),
        lambda kept: kept["round"]["strokes"][0].__setitem__(2, None),
    ],
)
def test_a_record_with_a_value_no_round_has_begins_the_round_anew(tmp_path, damage):
    session = Session(6, 3, tmp_path)
    session.listen(RATE)
    session.state = rounds.Round(6, 3, due=2, strokes=(rounds.Stroke(1.0, 1, 0.5),))
    session.keep()
    assert Session(6, 3, tmp_path).state.due == 1  # the sound of the stroke is not there, so its rod comes again
    session.keep()
    kept = json.loads((tmp_path / "round.json").read_text())
    damage(kept)
    (tmp_path / "round.json").write_text(json.dumps(kept))
    (tmp_path / "sound.bin").write_bytes(bytes(100))
    again = Session(6, 3, tmp_path)
    assert again.state == rounds.Round(6, 3)
    assert again.heard() == (None,) * 6
    again.listen(RATE)
    again.feed(np.zeros(1000))


class Sender:
    """What a page does with a microphone's blocks: keeps them until they are safe, and sends all it kept when asked."""

    def __init__(self, samples, rate, size=1024):
        self.rate = rate
        self.blocks = [(start, samples[start : start + size]) for start in range(0, samples.size, size)]
        self.first = 0

    def send(self, session, upto):
        """Send a session the blocks that are kept, up to one of them."""
        session.listen(self.rate, "m")
        kept = [(start, block) for start, block in self.blocks[:upto] if start + block.size > self.first]
        begin = kept[0][0] + session.place("m", kept[0][0])
        for start, block in kept:
            session.feed(block[max(begin - start, 0) :])
            self.first = max(self.first, session.safe)
        return session


def frames(session):
    """Each piece of sound that is kept, by its first frame of the microphone; and the frames of the taps."""
    mark, rate = session._mark, session._rate
    start = session._keep.whole()[0]
    pieces = {mark.frame + round(number * session._keep._size - mark.time * rate): chunk
              for number, chunk in session._keep._kept.items()}  # fmt: skip
    taps = [mark.frame + (tap.onset + start - mark.time) * rate for group in session.take().groups for tap in group]
    return pieces, np.array(taps)


@pytest.fixture(scope="module")
def never_stopped(sound):
    """Sound and taps of a session that hears the take in one go, as `frames` gives them."""
    return frames(Sender(*sound).send(Session(6, 3), None))


@pytest.mark.parametrize("stops", [
    *((k,) for k in range(120, 1080, 137)), (400, 400), (400, 401), (487, 490), (661, 700), (661, 661, 664, 790)
])  # fmt: skip
def test_sound_sent_again_after_kills_is_the_very_sound_the_microphone_heard(sound, never_stopped, tmp_path, stops):
    """Each stop ends a run when the microphone has given so many blocks; the next one goes on from the files alone.

    After each comes a run that is ended before it hears anything.
    """
    samples, rate = sound
    page = Sender(samples, rate)
    for stop in stops:
        page.send(Session(6, 3, tmp_path), stop)
        Session(6, 3, tmp_path).listen(rate, "m")
    session = page.send(Session(6, 3, tmp_path), None)
    assert session.wants_reading
    pieces, taps = frames(session)
    whole, wanted = never_stopped
    end = taps[-1] + RING * rate  # later sound is kept as it happens to have come in
    assert {first for first in pieces if first < end} == {first for first in whole if first < end}
    for first, piece in pieces.items():
        assert np.array_equal(piece, samples[first : first + piece.size].astype(np.float32))
    assert np.allclose(taps, wanted, rtol=0, atol=0.05)


def test_a_stroke_awaited_from_the_page_does_not_count_in_a_round_begun_anew(sound, tmp_path):
    samples, rate = sound
    page = Sender(samples, rate)
    stop = round((find_taps(samples, rate).taps[2].onset + 0.7) * rate) // 1024
    page.send(Session(6, 3, tmp_path), stop)
    again = Session(6, 3, tmp_path)
    assert sum(not stroke.fault for stroke in again.state.strokes) == 2  # the third is awaited
    again.do(rounds.Restart())
    assert page.send(Session(6, 3, tmp_path), stop).state.strokes == ()


def test_a_cut_off_record_of_sound_asks_for_that_tap_again(sound, tmp_path):
    samples, rate = sound
    session = Session(6, 3, tmp_path)
    session.listen(rate)
    fed(session, samples[: round(9 * rate)])
    count = sum(not stroke.fault for stroke in session.state.strokes)
    file = tmp_path / "sound.bin"
    file.write_bytes(file.read_bytes()[:-70000])
    again = Session(6, 3, tmp_path)
    assert sum(not stroke.fault for stroke in again.state.strokes) < count
    assert json.loads((tmp_path / "round.json").read_text())["round"]["phase"] == "tapping"


def test_another_rate_in_mid_round_begins_it_anew_and_says_so(sound):
    samples, rate = sound
    session = Session(6, 3)
    session.listen(rate)
    fed(session, samples[: round(3 * rate)])
    assert session.state.strokes
    said = session.listen(16000.0)
    assert session.state.strokes == ()
    assert any("another sample rate" in message.text for message in said)


def test_without_sound_there_is_nothing_to_read():
    session = Session(6, 3)
    with pytest.raises(TakeError, match="no sound of this round"):
        session.take()
    with pytest.raises(TakeError, match="nothing was struck"):
        session.last_hit()
    with pytest.raises(ValueError, match="listen first"):
        session.feed(np.zeros(10))


def test_a_round_that_slipped_by_a_tap_is_said_once_and_tapped_on_from_there(sound):
    samples, rate = sound
    onsets = [tap.onset for tap in find_taps(samples, rate).taps]
    first, stop = (round((onset - 0.4) * rate) for onset in onsets[8:10])  # the third tap at rod 3 is never played
    last = round((onsets[17] - 0.4) * rate)
    session = Session(6, 3)
    session.listen(rate)
    fed(session, np.concatenate((samples[:first], samples[stop:], samples[last:])))  # one more at the last rod
    assert session.state.phase == "reading"
    said = session.check_order()
    assert "rod 3 got one tap too few" in said[0].text
    assert (session.state.phase, session.state.due) == ("tapping", 2)
    fed(session, np.concatenate((samples[round((onsets[3] - 0.4) * rate) : first], samples[stop:], samples[last:])))
    assert session.state.phase == "reading"
    assert session.check_order() == ()  # the player may know better


def test_a_round_in_order_is_read_without_a_word(sound):
    samples, rate = sound
    session = Session(6, 3)
    session.listen(rate)
    fed(session, samples)
    assert session.check_order() == ()
    assert session.state.phase == "reading"
