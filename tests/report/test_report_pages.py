"""Documents as HTML and as PDF: everything put in comes out, nothing is fetched, words are escaped."""

import base64
import re
import zlib
from html.parser import HTMLParser

import pytest

from drumtune.errors import DrumtuneError
from drumtune.plots import style
from drumtune.report import page, paper, writing
from drumtune.report.content import Document, Picture, Section, Table


def figure(height=2.0, width=4.0):
    made = style.figure(height, width)
    made.subplots().plot([0, 1], [0, 1])
    return made


def made(pictures=1, rows=3, lines=1):
    table = Table(("rod", "pull"), tuple((str(i), f"{i} ± 1") for i in range(rows)))
    drawn = tuple(Picture(figure(), f"picture {i}", f"a rising line, number {i}") for i in range(pictures))
    section = Section("How <tight> it is", ("A sentence & another.",) * lines, (table,), drawn)
    return Document("A drum", ("Verdict: even.",), (section,), ("Protect your ears.",))


class Reader(HTMLParser):
    """Tags with their attributes, text, and whether every tag was closed."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self.open = [], "", []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "img", "input", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_a_page_holds_what_was_put_in_and_closes_its_tags():
    read = Reader(page.html(made()))
    assert read.open == []
    for words in (
        "A drum",
        "Verdict: even.",
        "How <tight> it is",
        "A sentence & another.",
        "2 ± 1",
        "Protect your ears.",
    ):
        assert words in read.text
    image = next(attrs for tag, attrs in read.tags if tag == "img")
    assert image["alt"] == "a rising line, number 0"
    assert base64.b64decode(image["src"].removeprefix("data:image/png;base64,")).startswith(b"\x89PNG")


def test_a_page_fetches_nothing():
    addresses = [value for _, attrs in Reader(page.html(made())).tags for key, value in attrs.items()
                 if key in ("src", "href")]  # fmt: skip
    assert addresses
    assert all(address.startswith("data:") for address in addresses)
    assert "http" not in page.html(made())


def pages(path):
    return len(re.findall(rb"/Type /Page\b", path.read_bytes()))


def test_paper_takes_as_many_pages_as_the_pictures_need(tmp_path):
    """A4 less margins is 10.1 inches high; pictures of 4 inches with captions go two to a page, narrow ones abreast."""
    for count in (1, 4):
        pictures = tuple(Picture(figure(4.0), "a picture", "a line") for _ in range(count))
        paper.write(Document("t", (), (Section("s", (), (), pictures),)), tmp_path / "a.pdf")
        assert pages(tmp_path / "a.pdf") == max(1, count // 2)
    narrow = tuple(Picture(figure(4.0, 3.0), "a picture", "a line") for _ in range(4))
    paper.write(Document("t", (), (Section("s", (), (), narrow),)), tmp_path / "b.pdf")
    assert pages(tmp_path / "b.pdf") == 1


def test_long_text_and_tables_flow_over_pages_and_stay_on_them(tmp_path):
    document = made(rows=150, lines=80)
    laid = paper.lay(document)
    assert len(laid.pages) > 2
    for sheet in laid.pages:
        for text in sheet.texts:
            assert 0.0 < text.get_position()[1] < 1.0
    told = [text.get_text() for sheet in laid.pages for text in sheet.texts]
    assert told.count("149") == 1
    assert sum("A sentence & another." in words for words in told) == 80


def test_lines_are_no_wider_than_the_room_and_lose_no_word():
    text = "one two three four five six seven eight nine ten eleven twelve " * 5
    lines = list(paper.wrapped(text, 10.0, 2.0))
    assert " ".join(lines).split() == text.split()
    assert max(paper.width(line, 10.0) for line in lines) <= 2.0


def test_paper_holds_its_words_as_text(tmp_path):
    """Fonts are embedded as TrueType, with a table from glyphs to characters, so that text can be found and copied."""
    paper.write(made(), tmp_path / "a.pdf")
    data = (tmp_path / "a.pdf").read_bytes()
    assert b"/CIDFontType2" in data
    packed = re.findall(rb"/FlateDecode[^>]*>>\s*stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL)
    streams = [zlib.decompress(part) for part in packed if part[:1] == b"x"]
    assert any(b"beginbfrange" in stream or b"beginbfchar" in stream for stream in streams)


def test_the_ending_says_what_is_written(tmp_path):
    writing.write(made(), tmp_path / "a.html")
    writing.write(made(), tmp_path / "a.pdf")
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.html", "a.pdf"]


def test_a_report_that_cannot_be_written_leaves_nothing(tmp_path):
    with pytest.raises(DrumtuneError, match="cannot write"):
        writing.write(made(), tmp_path / "no" / "a.html")
    assert list(tmp_path.iterdir()) == []


def test_a_picture_without_words_and_a_ragged_table_are_refused():
    with pytest.raises(ValueError, match="needs words"):
        Picture(figure(), "caption", " ")
    with pytest.raises(ValueError, match="2 cells"):
        Table(("a", "b"), (("1",),))


def test_one_document_gives_one_file_again(tmp_path):
    paper.write(made(), tmp_path / "a.pdf")
    paper.write(made(), tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
