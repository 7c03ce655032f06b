"""`--report` of every command: one page that holds the figures of the answer, its cautions, and how sure they are."""

import json
import re

import pytest

from drumtune.cli.demo import samples

DEMO = samples()
KIT = ("kit", DEMO / "bakery-kit.toml")
ROOM = ("room", "--size-m", "6x4.5x2.8", "--notes", "A2,D3")
PAIR = ("pair", "--diameter-in", "12", "--depth-in", "8", "--top-hz", "220", "--bottom-hz", "240")
EVEN = ("even", DEMO / "loft-floor-drum.wav", "--diameter-in", "14", "--rods", "8", "--taps-per-rod", "3")


@pytest.fixture
def hits(command, tmp_path):
    command("synth", tmp_path / "hits.wav", "--diameter-in", "12", "--depth-in", "8", "--hits", "2", "--note", "A3")
    return ("ring", tmp_path / "hits.wav", "--diameter-in", "12")


def text_of(path):
    page = path.read_text(encoding="utf-8")
    body = re.sub(r"<style>.*?</style>|data:image[^\"]*", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", body))


def answered(command, tmp_path, words):
    """JSON of the answer and the text of the report made with it."""
    status, out, err = command(*words, "--json", "--report", tmp_path / "a.html")
    assert (status, err) == (0, "")
    return json.loads(out), text_of(tmp_path / "a.html")


def test_the_report_of_even_holds_every_pull_with_its_deviation_and_every_move(command, tmp_path):
    found, text = answered(command, tmp_path, EVEN)
    for rod in found["rods"]:
        row = re.search(rf" {rod['rod']} ([+-][0-9.]+) ± ([0-9.]+) ([0-9.]+) Hz", text)
        told = [rod["pull_cents"], rod["pull_sd_cents"], rod["heard_hz"]]
        assert [float(number) for number in row.groups()] == pytest.approx(told, abs=0.056)  # both are rounded
    for move in found["moves"]:
        assert f"{move['order']}. rod {move['rod']}: {move['action']}" in text
    assert f"{found['verdict']}" in text
    assert "one standard deviation" in text
    assert all(line in text for line in found["cautions"])


def test_the_report_of_ring_holds_notes_partials_and_what_is_not_valid(command, tmp_path, hits):
    found, text = answered(command, tmp_path, hits)
    for hit in found["hits"]:
        assert f"{hit['settled_hz']:.1f}" in text
        assert all(reason in text for reason in hit["reasons"].values())
    assert "Protect" in text or "ear protection" in text


def test_the_report_of_pair_holds_every_offset_and_says_what_it_rests_on(command, tmp_path):
    found, text = answered(command, tmp_path, PAIR)
    for row in found["offsets"]:
        assert f"{row['low_hz']:.1f}" in text
    assert "not measured" in text


def test_the_report_of_room_holds_every_note_and_where_the_decay_comes_from(command, tmp_path):
    found, text = answered(command, tmp_path, ROOM)
    for note in found["notes"]:
        assert f"{note['note']} {note['frequency_hz']:.1f} {note['gain_db']:+.1f} {note['verdict']}" in text
    assert "assumed" in text


def test_the_report_of_kit_holds_every_drum_with_its_note(command, tmp_path):
    found, text = answered(command, tmp_path, KIT)
    for drum in found["drums"]:
        assert f"{drum['name']} {drum['note']} {drum['frequency_hz']:.1f}" in text
    assert "trust the drum" in text


@pytest.mark.parametrize("words", [ROOM, PAIR, KIT], ids=lambda words: words[0])
def test_every_picture_says_in_words_what_it_shows(command, tmp_path, words):
    command(*words, "--report", tmp_path / "a.html")
    alts = re.findall(r"<img [^>]*alt=\"([^\"]*)\"", (tmp_path / "a.html").read_text(encoding="utf-8"))
    assert alts
    assert all(len(alt) > 20 for alt in alts)
    assert any(re.search(r"\d", alt) for alt in alts)


@pytest.mark.parametrize("words", [ROOM, PAIR, KIT], ids=lambda words: words[0])
def test_reports_are_written_on_paper_too(command, tmp_path, words):
    assert command(*words, "--report", tmp_path / "a.pdf")[0] == 0
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    "words", [ROOM, PAIR, KIT, EVEN, ("ring", DEMO / "loft-floor-drum.wav")], ids=lambda words: words[0]
)
def test_a_report_of_another_kind_is_refused_before_any_work(command, tmp_path, words):
    status, out, err = command(*words, "--report", tmp_path / "a.docx")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert ".html or .pdf" in err
    assert list(tmp_path.iterdir()) == []
