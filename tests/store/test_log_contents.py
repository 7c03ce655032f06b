"""What goes into the log comes out of it, and out of its exports, exactly."""

import csv
import json
import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from log_material import DRUM, FLOOR, add, new, plan, reading, take

from drumtune.drum import Head
from drumtune.stand import Stand
from drumtune.store import LogError, changes, exchange, opened, queries
from drumtune.store.file import transaction
from drumtune.store.records import Turning


@pytest.fixture
def log(tmp_path):
    return new(tmp_path / "log.sqlite3")


def same(a, b):
    """Whether two values are equal, arrays and not-a-number included."""
    if isinstance(a, np.ndarray):
        return np.array_equal(a, b)
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    if isinstance(a, tuple):
        return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
    return a == b or (isinstance(a, float) and isinstance(b, float) and math.isnan(a) and math.isnan(b))


def test_a_take_comes_out_as_it_went_in(log):
    number = add(log, "first.wav", temperature_c=21.5, humidity_percent=40.0, note="by the window")
    second = add(log, "second.wav", source="said")
    with opened(log) as connection:
        entry, after = queries.entry(connection, number), queries.entry(connection, second)
    wanted = reading((10, -30, 20, 5, -5, 40, -20, -20), drum=entry.reading.drum)
    assert same(entry.reading, wanted)
    assert same(entry.plan, plan((2, 0.125), (6, -0.0625)))
    assert same(entry.take, take("first.wav", temperature_c=21.5, humidity_percent=40.0, note="by the window"))
    assert (entry.drum, entry.aim, entry.undone, entry.turning.source) == ("floor", "even", False, "unknown")
    assert (after.turning.source, after.turning.since, after.turning.turned[1]) == ("said", number, 0.125)


def test_the_comparison_of_values_can_fail(log):
    assert not same(reading([1, 2, 3, 4]), reading([1, 2, 3, 5]))
    assert not same((1.0,), (1.0, 2.0))


def test_a_drum_comes_out_as_it_went_in(log):
    with opened(log) as connection:
        kept = queries.stand(connection, "floor").stand
    assert (kept.name, kept.role, kept.drum.rods, kept.drum.hoop, kept.bottom) == ("floor", "tom", 8, "flanged", None)
    assert kept.drum.head.radius == pytest.approx(FLOOR.drum.head.radius, rel=1e-12)
    assert kept.drum.head.thickness == pytest.approx(254e-6, rel=1e-12)  # 10 mil of 25.4 um


heads = st.tuples(st.floats(2.0, 15.0), st.booleans(), st.none() | st.floats(50.0, 900.0))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(8.0, 26.0), st.floats(3.0, 20.0), st.integers(4, 16), heads, st.none() | heads)
def test_any_drum_comes_out_as_it_went_in(log, diameter, depth, rods, top, bottom):
    radius = 0.0127 * diameter
    films = [one and (Head.of_film(radius, one[0]) if one[1] else Head(radius, 0.1 * one[0])) for one in (top, bottom)]
    drum = replace(DRUM, head=films[0], rods=rods)
    stand = Stand("any", "snare", drum, 0.0254 * depth, films[1], top[2], bottom and bottom[2], bottom and 2.5, 110.0)
    with opened(log, writing=True) as connection:
        changes.add_stand(connection, stand, replace=True)
        kept = queries.stand(connection, "any").stand
    assert (kept.drum.rods, kept.top_rod, kept.note, kept.bottom is None) == (rods, top[2], 110.0, bottom is None)
    assert kept.drum.head.surface_density == films[0].surface_density
    assert kept.drum.head.radius == pytest.approx(radius, rel=1e-10)
    assert kept.drum.head.thickness == pytest.approx(films[0].thickness, rel=1e-10)
    assert kept.depth == pytest.approx(stand.depth, rel=1e-10)


def test_a_drum_described_anew_keeps_its_old_takes_as_they_were(log):
    number = add(log)
    changed = replace(FLOOR, drum=replace(DRUM, head=Head.of_film(DRUM.head.radius, 7.0)))
    with opened(log, writing=True) as connection:
        with pytest.raises(LogError, match="has a drum called 'floor'"):
            changes.add_stand(connection, changed)
        changes.add_stand(connection, changed, replace=True)
        assert queries.stand(connection, "floor").stand.drum.head.thickness == pytest.approx(7 * 25.4e-6)
        assert queries.entry(connection, number).reading.drum.head.thickness == pytest.approx(10 * 25.4e-6)
        assert queries.numbers(connection, "floor", stand_id=queries.stand(connection, "floor").stand_id) == []


def test_an_unknown_drum_is_refused_with_the_names_there_are(log):
    with opened(log) as connection, pytest.raises(LogError, match=r"no drum called 'snare' \(it has 'floor'\)"):
        queries.stand(connection, "snare")


def test_undo_sets_the_last_take_aside_and_redo_brings_it_back(log):
    numbers = [add(log, name) for name in ("a", "b", "c")]
    with opened(log, writing=True) as connection:
        assert [changes.undo(connection), changes.undo(connection, "floor")] == [numbers[2], numbers[1]]
        assert [number for number, _ in queries.numbers(connection)] == numbers[:1]
        assert [entry.undone for entry in queries.entries(connection, undone=True)] == [False, True, True]
        assert {changes.redo(connection), changes.redo(connection)} == set(numbers[1:])
        with pytest.raises(LogError, match="no take was undone"):
            changes.redo(connection)
        assert [number for number, _ in queries.numbers(connection)] == numbers


def test_deleting_takes_is_all_or_none_and_spares_what_a_setting_rests_on(log):
    numbers = [add(log, name) for name in ("a", "b", "c")]
    with opened(log, writing=True) as connection:
        changes.save_setting(connection, "floor", "studio March", numbers[1])
        with pytest.raises(LogError, match="'studio March' rests on take 2"):
            changes.delete(connection, numbers)
        with pytest.raises(LogError, match="no take 99"):
            changes.delete(connection, [numbers[0], 99])
        assert len(queries.numbers(connection)) == 3
        changes.delete_setting(connection, "floor", "studio March")
        changes.delete(connection, numbers[:2])
        assert [number for number, _ in queries.numbers(connection)] == numbers[2:]
        assert queries.entry(connection, numbers[2]).turning.since is None
        assert queries.faults(connection) == ()


def test_a_deleted_number_is_not_given_again(log):
    numbers = [add(log, name) for name in ("a", "b")]
    with opened(log, writing=True) as connection:
        changes.delete(connection, numbers[1:])
    assert add(log, "c") == numbers[1] + 1


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda c: changes.save_setting(c, "floor", "x", 7), "no take 7"),
        (lambda c: changes.save_setting(c, "snare", "x", 1), "is of 'floor', not of 'snare'"),
        (lambda c: changes.delete_setting(c, "floor", "x"), "no saved setting 'x'"),
        (lambda c: queries.entry(c, 5), "no take 5"),
        (lambda c: [changes.save_setting(c, "floor", "x", 1) for _ in range(2)], "has a setting"),
        (lambda c: (changes.undo(c), changes.undo(c)), "no take to undo"),
        (lambda c: (changes.undo(c), changes.save_setting(c, "floor", "x", 1)), "was undone"),
    ],
)
def test_what_does_not_exist_is_refused_in_one_line(log, act, words):
    add(log)
    with opened(log, writing=True) as connection, pytest.raises(LogError, match=words) as failure:
        act(connection)
    assert "\n" not in str(failure.value)


def filled(path):
    """A log with every kind of row in it."""
    new(path)
    add(path, 'a, with a comma and "quotes".wav', temperature_c=1 / 3, note="two\nlines")
    add(path, "b.wav", source="assumed", humidity_percent=55.0)
    add(path, "c.wav", source="said")
    with opened(path, writing=True) as connection:
        changes.save_setting(connection, "floor", "Bühne, Mai", 2)
        changes.undo(connection)
    return path


def exported(path):
    with opened(path) as connection:
        return exchange.tables(connection), exchange.column_names(connection)


def test_an_export_to_json_reads_back_to_the_same_log(tmp_path):
    content, _ = exported(filled(tmp_path / "one.sqlite3"))
    (tmp_path / "log.json").write_text(exchange.as_json(content), encoding="utf-8")
    exchange.build(tmp_path / "two.sqlite3", exchange.read_export(tmp_path / "log.json"))
    again, _ = exported(tmp_path / "two.sqlite3")
    assert again == content
    assert exchange.as_json(again) == exchange.as_json(content)
    assert all(content[table] for table in content)  # every table had something to lose


def test_an_export_to_csv_reads_back_to_the_same_log(tmp_path):
    content, columns = exported(filled(tmp_path / "one.sqlite3"))
    exchange.write_folder(tmp_path / "csv", content, columns)
    exchange.build(tmp_path / "two.sqlite3", exchange.read_export(tmp_path / "csv"))
    assert exported(tmp_path / "two.sqlite3")[0] == content
    with (tmp_path / "csv" / "takes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["note"] for row in rows] == ["two\nlines", "", ""]
    assert float(rows[0]["temperature_c"]) == 1 / 3


@pytest.mark.parametrize("note", ["a\rb", "a\r\nb", "a\nb", 'a"b, c', " a ", "1e3", "None"])
def test_any_note_comes_back_from_csv_as_it_was(tmp_path, note):
    path = new(tmp_path / "one.sqlite3")
    add(path, note=note, temperature_c=1 / 3)
    content, columns = exported(path)
    exchange.write_folder(tmp_path / "csv", content, columns)
    again = exchange.read_export(tmp_path / "csv")
    assert again["takes"][0]["note"] == note
    exchange.build(tmp_path / "two.sqlite3", again)
    exchange.write_folder(tmp_path / "again", *exported(tmp_path / "two.sqlite3"))
    for file in (tmp_path / "csv").iterdir():
        assert (tmp_path / "again" / file.name).read_bytes() == file.read_bytes()


def test_a_log_from_an_export_is_read_like_the_first(tmp_path):
    content, _ = exported(filled(tmp_path / "one.sqlite3"))
    exchange.build(tmp_path / "two.sqlite3", content)
    with opened(tmp_path / "one.sqlite3") as one, opened(tmp_path / "two.sqlite3") as two:
        assert same(queries.entries(one, undone=True), queries.entries(two, undone=True))


def broken(content, how):
    content = json.loads(json.dumps(content))
    how(content)
    return content


@pytest.mark.parametrize(
    "how",
    [
        lambda t: t.pop("moves"),
        lambda t: t["takes"][0].pop("note"),
        lambda t: t["takes"][0].update(colour="blue"),
        lambda t: t["takes"][0].update(duration_s="long"),
        lambda t: t["takes"][0].update(duration_s=None),
        lambda t: t["takes"][0].update(note={"a": 1}),
        lambda t: t["takes"].append(dict(t["takes"][0])),
        lambda t: t["readings"][0].update(verdict="perfect"),
        lambda t: t["readings"].append({**t["readings"][0], "take_id": 99}),
        lambda t: t["migrations"][0].update(number=2),
        lambda t: t.update(drums=3),
    ],
)
def test_a_broken_export_makes_no_log(tmp_path, how):
    content, _ = exported(filled(tmp_path / "one.sqlite3"))
    with pytest.raises(LogError, match="no export of a log") as failure:
        exchange.build(tmp_path / "two.sqlite3", broken(content, how))
    assert "\n" not in str(failure.value)
    assert {path.name for path in tmp_path.iterdir()} == {"one.sqlite3"}


def test_what_is_no_export_is_refused(tmp_path):
    (tmp_path / "text.json").write_text("{")
    (tmp_path / "other.json").write_text('{"format": "else"}')
    (tmp_path / "folder").mkdir()
    for name in ("text.json", "other.json", "folder", "none.json"):
        with pytest.raises(LogError, match="export of a log"):
            exchange.read_export(tmp_path / name)
    with pytest.raises(LogError, match="exists"):
        exchange.write_folder(tmp_path / "folder", {}, {})
    content, _ = exported(filled(tmp_path / "one.sqlite3"))
    with pytest.raises(LogError, match="exists: an export is read into a new log"):
        exchange.build(tmp_path / "one.sqlite3", content)


def test_the_same_recording_is_known_again(log):
    number = add(log, "same.wav")
    with opened(log) as connection:
        stand = queries.stand(connection, "floor")
        assert queries.entry_of_files(connection, stand.stand_id, take("same.wav").files) == number
        assert queries.entry_of_files(connection, stand.stand_id, take("other.wav").files) is None


def test_faults_are_found(log):
    """The check is proven able to fail: a take without its reading, a row that refers to nothing."""
    number = add(log)
    with opened(log, writing=True) as connection:
        assert queries.faults(connection) == ()
        connection.execute("DELETE FROM plans")
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("UPDATE turnings SET since_take_id = 77")
        found = " ".join(queries.faults(connection))
    assert f"take {number} lacks its plan" in found
    assert "turnings refers to nothing in takes" in found


def test_a_change_that_fails_half_way_changes_nothing(log):
    add(log)
    before = exported(log)[0]
    bad = replace(
        plan((2, 0.125)), moves=(*plan((2, 0.125)).moves, *plan((3, 0.125)).moves)
    )  # two moves first in order
    found = (reading(range(8)), bad, "even")  # two moves first in order, which the table forbids
    with pytest.raises(LogError, match="nothing was changed"):  # noqa: SIM117
        with opened(log, writing=True) as connection, transaction(connection):
            changes.add_entry(connection, 1, take("b"), Turning("unknown", np.zeros(8)), found)
    assert exported(log)[0] == before
