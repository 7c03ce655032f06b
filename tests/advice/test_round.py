"""The guided round: every event, told as a player would."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drumtune.advice import round as rounds
from drumtune.advice.round import Round, Struck, step
from drumtune.advice.turns import Move

MOVES = (Move(1, 3, "raise", 0.125), Move(2, 1, "lower", 0.0625))


def play(state, *events):
    said = []
    for event in events:
        state, more = step(state, event)
        said += more
    return state, said


def taps(state, count, gap=1.2, peak=0.3):
    """Tap `count` times, evenly, from after the last stroke."""
    start = state.strokes[-1].time + gap if state.strokes else 1.0
    return play(state, *(Struck(start + gap * i, peak) for i in range(count)))


def test_a_round_goes_from_rod_to_rod_and_then_to_the_reading():
    state, said = taps(Round(4, 3), 12)
    assert (state.phase, state.due) == ("reading", 0)
    assert [message.text for message in said if message.kind == "next"] == [f"Rod {r}, 3 taps." for r in (2, 3, 4)]
    assert said[-1].kind == "ready"
    assert said[-1].aloud
    assert [stroke.rod for stroke in state.strokes] == [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4]


@pytest.mark.parametrize(
    ("fault", "word"), [("clipped", "too loud"), ("double", "two strokes"), ("torn", "interrupted")]
)
def test_a_faulty_tap_is_not_counted_and_the_rod_is_asked_for_again(fault, word):
    state, said = play(Round(4, 3), Struck(1.0, 0.9, fault))
    assert (state.due, state.left) == (1, 3)
    assert word in said[0].text
    assert said[0].text.endswith("Rod 1 again.")


def test_a_tap_too_soon_or_too_soft_is_not_counted():
    state, _ = taps(Round(4, 3), 4)
    state, said = play(state, Struck(state.strokes[-1].time + 0.4, 0.3))
    assert "too soon" in said[0].text
    state, said = play(state, Struck(state.strokes[-1].time + 2.0, 0.02))
    assert "too soft" in said[0].text
    assert state.left == 2


def test_other_sounds_are_told_with_their_reason_unless_they_are_faint():
    state, said = play(Round(4, 3), rounds.Sound(1.0, "a knock that does not ring", -5.0))
    assert "a knock that does not ring" in said[0].text
    assert play(state, rounds.Sound(1.0, "too soft", -40.0))[1] == []


def test_a_rod_left_for_later_is_said_to_be_missing_and_comes_at_the_end():
    state, _ = play(Round(4, 2), rounds.Skip())
    state, said = taps(state, 6)
    assert state.due == 1
    assert any(message.text == "Still without all their taps: rod 1." for message in said)
    assert taps(state, 2)[0].phase == "reading"


def test_back_repeats_the_rod_before_and_again_the_one_that_is_due():
    state, _ = taps(Round(4, 2), 5)
    again, _ = play(state, rounds.Again())
    assert (again.due, again.left, len(again.taps(2))) == (3, 2, 2)
    back, _ = play(state, rounds.Back())
    assert (back.due, back.left, len(back.taps(1))) == (2, 2, 2)
    assert back.taps(3) == ()
    assert play(Round(4, 2), rounds.Back())[0].due == 1


def test_a_tap_too_many_at_the_rod_before_is_suspected_aloud_and_taken_back_on_word():
    state, _ = taps(Round(4, 2), 2)
    state, said = play(state, Struck(state.strokes[-1].time + 0.7, 0.3))
    assert any("if it was still rod 1" in message.text for message in said)
    state, _ = play(state, rounds.Extra())
    assert (state.due, state.left) == (2, 2)
    assert state.strokes[-1].fault == "rod"


def test_a_rod_done_again_on_purpose_replaces_its_taps():
    state, _ = taps(Round(4, 2), 8)
    state, _ = play(state, rounds.Go(2))
    assert (state.phase, state.due, state.left) == ("tapping", 2, 2)
    assert taps(state, 2)[0].phase == "reading"


def test_reading_early_names_the_rods_without_taps():
    state, _ = taps(Round(4, 3), 4)
    state, said = play(state, rounds.Enough())
    assert said[0].text == "No taps yet at rod 3, 4: every rod needs one."
    assert state.phase == "tapping"
    state, _ = play(state, *(Struck(20.0 + 2 * i, 0.3) for i in range(3)), rounds.Skip(), *(), Struck(40.0, 0.3))
    assert play(state, rounds.Enough())[0].phase == "reading"


def test_lost_sound_voids_the_tap_whose_ring_it_cut():
    state, _ = taps(Round(4, 2), 3)
    state, said = play(state, rounds.Lost(state.strokes[-1].time + 0.3))
    assert (state.due, state.left) == (2, 2)
    assert state.strokes[-1].fault == "torn"
    assert "needed again" in said[0].text
    assert play(state, rounds.Lost(99.0))[1][0].text == "Some sound was lost, between taps."


def test_taps_unlike_the_rest_are_asked_for_again_after_the_round():
    state, _ = taps(Round(4, 2), 8)
    state, said = play(state, rounds.Doubted((state.strokes[3].time,)))
    assert (state.phase, state.due, state.left) == ("tapping", 2, 1)
    assert "rod 2" in said[0].text


def test_a_doubt_names_the_rods_it_is_about_and_no_others():
    state, _ = taps(Round(6, 3), 7)
    state, said = play(state, rounds.Doubted((state.strokes[0].time,)))
    assert said[0].text == "Some taps at rod 1 sound unlike the others: again."
    assert (state.due, state.left) == (1, 1)


def test_sound_lost_within_a_second_after_the_last_tap_asks_for_it_again():
    state, _ = taps(Round(4, 2), 8)
    assert state.phase == "reading"
    late, said = play(state, rounds.Lost(state.strokes[-1].time + 0.6))
    assert (late.phase, late.due, late.left) == ("tapping", 4, 1)
    assert "needed again" in said[0].text
    assert play(state, rounds.Lost(state.strokes[-1].time + 1.6)) == (state, [])


def test_a_slipped_round_names_the_rod_to_tap_on_from():
    state, _ = taps(Round(4, 2), 8)
    state, said = play(state, rounds.Slipped(3, -1, 2))
    assert said[0].text.endswith("rod 3 got one tap too few, and all after it slipped: tap on from rod 2.")
    assert (state.due, state.left) == (2, 2)


def test_a_round_begun_anew_from_the_moves_counts_those_that_were_made_and_no_older_ones():
    state, _ = taps(Round(4, 1, turned=(0.25, 0.0, 0.0, 0.0)), 4)
    state, _ = play(state, rounds.Found("uneven", MOVES), rounds.Tick(1))
    assert play(state, rounds.Restart())[0].turned == (0.0, 0.0, 0.125, 0.0)
    tapping, _ = taps(Round(4, 1, turned=(0.25, 0.0, 0.0, 0.0)), 2)
    assert play(tapping, rounds.Restart())[0].turned == (0.25, 0.0, 0.0, 0.0)


def test_a_rod_cannot_be_tapped_anew_while_the_moves_are_made_so_that_what_was_ticked_stays():
    state, _ = taps(Round(4, 1), 4)
    state, _ = play(state, rounds.Found("uneven", MOVES), rounds.Tick(1))
    after, said = play(state, rounds.Go(2))
    assert after == state
    assert said[0].text == "That has no meaning at this point."


def test_moves_are_ticked_off_and_what_was_not_ticked_counts_as_not_turned():
    state, _ = taps(Round(4, 1), 4)
    state, said = play(state, rounds.Found("uneven", MOVES))
    assert said[0].text == "2 moves. First, rod 3: raise, 1/8 turn."
    state, said = play(state, rounds.Tick(1))
    assert said[0].text.startswith("Next, rod 1: lower")
    fresh, said = play(state, rounds.Next())
    assert fresh.turned == (0.0, 0.0, 0.125, 0.0)
    assert said[0].text == "Taken as not turned: rod 1."
    assert (fresh.number, fresh.due, fresh.strokes) == (2, 1, ())
    state, said = play(state, rounds.Tick(2))
    assert said[0].text == "All moves are made: tap round again."
    assert play(state, rounds.Tick(2))[0].ticked == (1,)


def test_an_even_head_ends_the_round_and_a_failed_reading_keeps_its_taps():
    state, _ = taps(Round(4, 1), 4)
    assert play(state, rounds.Found("even", ()))[1][0].text == "The head is even: leave every rod as it is."
    failed, said = play(state, rounds.Failed("the microphone moved"))
    assert failed.trouble == "the microphone moved"
    assert said[0].text == "No reading: the microphone moved"
    assert play(failed, rounds.Back())[0].due == 4


def test_taps_while_moves_are_made_are_not_counted():
    state, _ = taps(Round(4, 1), 4)
    state, _ = play(state, rounds.Found("uneven", MOVES))
    assert play(state, Struck(99.0, 0.3)) == (state, [rounds.Message("note", "Heard a tap; none is due now.")])


@pytest.mark.parametrize("event", [rounds.Go(0), rounds.Go(5), rounds.Tick(1)])
def test_rods_and_moves_that_do_not_exist_are_refused(event):
    with pytest.raises(ValueError, match=r"rods are 1 to 4|there is no move"):
        step(Round(4, 3), event)


EVENTS = st.one_of(
    st.builds(lambda gap, peak, fault: (gap, peak, fault), st.floats(0.05, 4.0), st.floats(0.001, 1.0),
              st.sampled_from(["", "", "", "clipped", "double"])),
    st.sampled_from([rounds.Skip(), rounds.Again(), rounds.Back(), rounds.Extra(), rounds.Enough(), rounds.Next(),
                     rounds.Restart(), rounds.Failed("x"), rounds.Found("uneven", MOVES), rounds.Go(2)]),
)  # fmt: skip


@given(st.lists(EVENTS, max_size=80))
def test_whatever_happens_the_round_stays_in_order_and_survives_being_written_down(events):
    state, time = Round(4, 2), 0.0
    for event in events:
        if isinstance(event, tuple):
            time += event[0]
            event = Struck(time, *event[1:])
        state, _ = step(state, event)
        assert (state.due == 0) == (state.phase != "tapping")
        assert all(len(state.taps(rod)) <= 2 for rod in range(1, 5))
        assert list(state.strokes) == sorted(state.strokes, key=lambda stroke: stroke.time)
        if state.phase == "reading":
            assert all(state.taps(rod) for rod in range(1, 5))
    assert rounds.from_document(json.loads(json.dumps(rounds.document(state)))) == state
