"""Real files with bytes changed, and structures that hypothesis makes, through every target of `targets`.

Blind, but always run; `guided.py` is guided by coverage and runs in .ci/run and by hand.
"""

import json
import random

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from targets import TARGETS, log_exports, log_json, page, room_json, short, told_drum, toml

from drumtune.store import exchange, opened

COUNTS = {
    "audio": 220, "toml": 150, "log_json": 60, "log_csv": 60, "room_json": 150, "page": 60, "told_drum": 100,
    "kept_round": 60,
}  # fmt: skip
FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def mutated(data, rng):
    """A copy with some of: bits turned over, bytes put in, cut out, doubled, set to ends of their range."""
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        if not data:
            break
        near_start = rng.random() < 0.5
        at = rng.randrange(min(len(data), 64) if near_start else len(data))
        kind = rng.randrange(6)
        if kind == 0:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at : at + 4] = rng.choice(
                (b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x80\0\0\0")
            )
        elif kind == 2:
            del data[at : at + rng.choice((1, 2, 8, 100, 1000))]
        elif kind == 3:
            data[at:at] = data[at : at + rng.choice((1, 4, 50))]
        elif kind == 4:
            data[at:at] = rng.randbytes(rng.choice((1, 2, 8)))
        else:
            del data[at:]
    return bytes(data)


@pytest.mark.parametrize("name", TARGETS)
def test_changed_files_fail_only_as_promised(name, tmp_path, capfd):
    target, seeds = TARGETS[name]
    seeds = seeds()
    rng = random.Random(9)
    for number in range(COUNTS[name]):
        folder = tmp_path / str(number)
        folder.mkdir()
        target(mutated(seeds[number % len(seeds)], rng), folder)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", TARGETS)
def test_the_files_they_are_made_of_pass(name, tmp_path):
    target, seeds = TARGETS[name]
    for number, seed in enumerate(seeds()):
        (tmp_path / str(number)).mkdir()
        target(seed, tmp_path / str(number))


def test_a_finding_would_be_seen(tmp_path, monkeypatch):
    """Each way to fail that is not promised ends a target; here in the reader of recordings."""
    for wrong in (RuntimeError("a bug"), ValueError("not an AudioError"), MemoryError()):

        def fails(_paths, wrong=wrong):
            raise wrong

        monkeypatch.setattr("targets.read_take", fails)
        with pytest.raises(type(wrong)):
            TARGETS["audio"][0](short()[0], tmp_path)


plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.integers(-(10**400), 10**400) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
"""What JSON can hold, with numbers no float bears."""


def with_one_changed(document, path_choice, value):
    """The document with one value somewhere in it put in place of another."""
    places = []

    def walk(node):
        for key in list(node) if isinstance(node, dict) else range(len(node)):
            places.append((node, key))
            if isinstance(node[key], dict | list):
                walk(node[key])

    walk(document)
    node, key = places[path_choice % len(places)]
    node[key] = value
    return document


EXPORT = log_exports()[0]


@example(904056, None)  # a pitch that was not heard
@FEW
@given(st.integers(0, 10**6), plain)
def test_an_export_with_any_value_changed_is_refused_or_makes_a_log_that_can_be_read(tmp_path_factory, place, value):
    document = with_one_changed(json.loads(EXPORT), place, value)
    log_json(json.dumps(document).encode(), tmp_path_factory.mktemp("log"))


@FEW
@given(st.integers(0, 10**6), plain)
def test_a_room_with_any_value_changed_is_refused_or_has_a_gain(tmp_path_factory, place, value):
    modes = [{"frequency_hz": 40.0 + 20 * k, "decay_s": 0.5} for k in range(5)]
    response = {"start_hz": 20.0, "step_hz": 1.0, "gain_db": [0.0, 1.0, 2.0]}
    for room in ({"modes": modes}, {"response": response}, {"modes": [{"m": 1, "n": 1, "frequency_hz": 200.0}]}):
        room_json(json.dumps(with_one_changed(room, place, value)).encode(), tmp_path_factory.mktemp("room"))


COMMANDS = ["listen", "stop", "go", "tick", "skip", "again", "back", "extra", "enough", "next", "restart", "ring"]
messages = st.fixed_dictionaries(
    {"do": st.sampled_from(COMMANDS) | plain},
    optional={
        "rate": plain | st.sampled_from([8000, 16000.0, 192000]),
        "tune": plain,
        "rod": plain | st.integers(0, 6),
        "order": plain | st.integers(0, 3),
    },
)


def sound(draw):
    """A binary message of a page: a frame number and samples, not always good ones."""
    first = draw(st.integers(0, 20_000) | st.integers(0, 2**64 - 1))
    samples = draw(st.lists(st.floats(width=32), max_size=5)) * draw(st.integers(1, 400))
    return first.to_bytes(8, "little") + np.asarray(samples, "<f4").tobytes()


@FEW
@given(st.lists(messages.map(lambda told: json.dumps(told).encode()) | st.composite(sound)(), max_size=20))
def test_any_messages_in_any_order_leave_a_round_that_goes_on(tmp_path_factory, told):
    page(b"\n".join(one.replace(b"\n", b"") for one in told), tmp_path_factory.mktemp("page"))


@FEW
@given(
    st.dictionaries(
        st.sampled_from(["name", "role", "diameter_in", "depth_in", "rods", "hoop", "note", "top", "bottom"])
        | st.text(max_size=5),
        plain,
    )
)
def test_any_drum_a_page_tells_is_kept_or_refused_in_words(tmp_path_factory, told):
    told_drum(json.dumps(told).encode(), tmp_path_factory.mktemp("told"))


@FEW
@given(
    st.dictionaries(
        st.sampled_from(
            ["name", "role", "diameter_in", "depth_in", "rods", "hoop", "note", "tap_distance_mm", "top", "bottom"]
        ),
        plain,
    )
)
def test_any_table_of_a_kit_is_a_drum_or_refused_in_words(tmp_path_factory, told):
    """Values as TOML writes them; JSON's own spelling of most is TOML's too."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in told.items()]
    toml(("[[drum]]\n" + "\n".join(lines)).encode(), tmp_path_factory.mktemp("kit"))


def test_a_log_made_of_a_good_export_is_the_same_log(tmp_path):
    """So that the refusals above are not refusals of everything."""
    (tmp_path / "log.json").write_bytes(EXPORT)
    exchange.build(tmp_path / "log.sqlite3", exchange.read_export(tmp_path / "log.json"))
    with opened(tmp_path / "log.sqlite3") as connection:
        assert exchange.as_json(exchange.tables(connection)).encode() == EXPORT
