"""`drumtune turned` from the player's side: moves of a round heard, put right, or refused with what to do."""

import json

import pytest

PULLS = "0,60,-30,-60,10,20"
SIZES = ("--diameter-in", 12, "--rods", 6)


def heard_with(folder):
    return ("--drum", "rack", "--take", folder / "take.wav", "--log", folder / "log.sqlite3")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("turned")


@pytest.fixture
def moves(folder, command):
    """The moves advised to a drum of the log, as JSON has them; the log is made once."""
    log, take = folder / "log.sqlite3", folder / "take.wav"
    if not log.exists():
        assert command("stand", "new", "rack", "--depth-in", 8, *SIZES, "--log", log)[0] == 0
        assert command("synth", take, *SIZES, "--pulls", PULLS, "--seed", 3, "--mean-hz", 250)[0] == 0
    status, out, _ = command("even", take, "--drum", "rack", "--taps-per-rod", 3, "--json", "--log", log)
    assert status == 0
    return json.loads(out)["moves"]


def played(folder, command, moves, **changed):
    """A recording of the moves, some of them by another factor (by rod)."""
    factor = {int(rod[1:]): value for rod, value in changed.items()}
    signed = [
        (move["rod"], factor.get(move["rod"], 1) * move["turns"] * (1 if move["action"] == "raise" else -1))
        for move in moves
    ]
    words = ",".join(f"{rod}:{turns:+g}" for rod, turns in signed)
    sound = folder / "moves.wav"
    how = ("--pulls", PULLS, "--seed", 4, "--mean-hz", 250, "--moves", words)
    assert command("synth", sound, *SIZES, *how)[0] == 0
    return sound


def test_a_move_made_the_other_way_is_told_and_how_to_put_it_right(folder, command, moves):
    largest = max(moves, key=lambda move: move["turns"])
    sound = played(folder, command, moves, **{f"r{largest['rod']}": -1})
    picture = folder / "moves.png"
    status, out, err = command("turned", sound, *heard_with(folder), "--plot", picture)
    assert (status, err) == (0, "")
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert out.count("the other way") == 1
    told = next(line for line in out.splitlines() if "the other way" in line).split()
    assert [int(word) for word in told[:2]] == [largest["order"], largest["rod"]]
    assert f"rod {largest['rod']}: {largest['action']}" in out.partition("To put it right:")[2]
    found = json.loads(command("turned", sound, *heard_with(folder), "--json")[1])
    missing = {rod: turns for rod, turns in enumerate(found["missing"], start=1) if turns}
    sign = 1 if largest["action"] == "raise" else -1
    assert missing == {largest["rod"]: pytest.approx(2 * sign * largest["turns"], abs=2e-4)}
    # what it says to say is understood, and is what was done
    from drumtune.cli.round_job import parse_turned

    turned = parse_turned(found["turned"], 6)
    assert turned[largest["rod"] - 1] == pytest.approx(-sign * largest["turns"], abs=1e-4)


def test_moves_made_as_told_are_said_to_be(folder, command, moves):
    sound = played(folder, command, moves)
    status, out, _ = command("turned", sound, *heard_with(folder))
    assert status == 0
    assert "Every move that can be heard was made as told." in out
    assert "To put it right" not in out


@pytest.mark.parametrize(("taps", "words"), [
    ("take.wav", "want as many after each"), ("other.wav", "do not sound like the head of the last take"),
    ("nothing.wav", "nothing.wav"), ("log.sqlite3", "not audio"),
])  # fmt: skip
def test_what_cannot_be_heard_is_refused_in_one_line(folder, command, moves, taps, words):
    assert len(moves) > 1
    sound = folder / taps
    if taps == "take.wav":
        sound = played(folder, command, moves[1:])
    if taps == "other.wav":  # another head
        how = ("--pulls", "0,0,90,0,-90,0", "--mean-hz", 190, "--taps-per-rod", len(moves), "--seed", 9)
        command("synth", sound, *SIZES, *how)
    status, out, err = command("turned", sound, *heard_with(folder))
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert words in err


def test_without_moves_or_readings_there_is_nothing_to_hear(folder, command, moves):
    log = folder / "empty.sqlite3"
    if not log.exists():
        command("stand", "new", "floor", "--depth-in", 9, *SIZES, "--log", log)
    sound = played(folder, command, moves)
    assert (
        "nothing was read of 'floor' yet"
        in command("turned", sound, "--drum", "floor", "--take", sound, "--log", log)[2]
    )
    even = folder / "even.wav"
    command("synth", even, *SIZES, "--seed", 5)
    command("even", even, "--drum", "floor", "--taps-per-rod", 3, "--log", log)
    status, _, err = command("turned", sound, "--drum", "floor", "--take", sound, "--log", log)
    assert status == 2
    assert "advised no moves" in err


def test_the_take_must_be_the_one_the_moves_were_advised_by(folder, command, moves):
    sound = played(folder, command, moves)
    status, out, err = command("turned", sound, *heard_with(folder)[:2], "--take", sound, *heard_with(folder)[4:])
    assert (status, out) == (2, "")
    assert "is not the recording of take" in err
    assert "take.wav" in err


def test_synth_plays_moves_or_whole_hits_and_wants_moves_it_can_read(folder, command):
    out = folder / "bad.wav"
    hits = command("synth", out, *SIZES, "--moves", "1:+1/8", "--depth-in", 8)
    assert hits[0] == 2
    assert "--moves" in hits[2]
    for words, told in (("9:+1/8", "check --moves"), ("none", "written as"), ("1:1/8", "which way")):
        status, _, err = command("synth", out, *SIZES, "--moves", words)
        assert status == 2
        assert told in err
    assert not out.exists()
