"""`drumtune lesson` writes a folder that needs nothing else, and refuses what it cannot teach."""

import re

import pytest
import soundfile

SMALL = ("--diameter-in", "10", "--depth-in", "7", "--rods", "6")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One lesson, written by the command."""
    import sys

    from drumtune.cli import main

    folder = tmp_path_factory.mktemp("made") / "lesson"
    words, sys.argv = sys.argv, ["drumtune", "lesson", "--out", str(folder), *SMALL, "--seed", "7"]
    try:
        with pytest.raises(SystemExit) as stop:
            main()
    finally:
        sys.argv = words
    assert stop.value.code == 0
    return folder


def test_a_lesson_is_one_page_with_its_pictures_sounds_and_paper(made):
    assert sorted(path.name for path in made.iterdir()) == ["clips", "images", "index.html", "lesson.pdf"]
    assert (made / "lesson.pdf").read_bytes().startswith(b"%PDF")


def test_whatever_the_page_names_is_in_the_folder_and_nothing_else_is_named(made):
    page = (made / "index.html").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:src|href)=\"([^\"#]+)\"", page)) - {"data:,"}
    assert named
    for name in named:
        assert (made / name).is_file(), name
    files = {str(path.relative_to(made)) for path in made.rglob("*") if path.is_file()}
    assert files - named == {"index.html"}
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", page)


def test_every_picture_has_words_with_figures_in_them(made):
    page = (made / "index.html").read_text(encoding="utf-8")
    alts = re.findall(r"<img [^>]*alt=\"([^\"]*)\"", page)
    assert len(alts) == len(list((made / "images").iterdir()))
    assert all(re.search(r"\d", alt) and len(alt) > 30 for alt in alts)


def test_sounds_are_16_bit_wav_at_44100_hz(made):
    for path in (made / "clips").iterdir():
        found = soundfile.info(path)
        assert (found.samplerate, found.subtype, found.channels) == (44100, "PCM_16", 1)
        assert 1.0 < found.duration < 6.0


def test_a_drum_of_the_log_can_be_the_subject(tmp_path):
    from drumtune.cli import lesson_job
    from drumtune.stand import parse_stand

    text = '[drum]\nname = "alder"\ndiameter_in = 13\ndepth_in = 9\nrods = 6\ntop = { film_mil = 10, rod_hz = 200 }\n'
    subject = lesson_job.of_stand(parse_stand(text + "bottom = { film_mil = 7.5, rod_hz = 200 }\n"))
    assert (subject.name, subject.top_hz, subject.semitones) == ("alder", 200.0, 0.0)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--diameter-in", "60"), "--diameter-in lies in 6 to 26"),
        (("--rods", "3"), "--rods lies in 4 to 16"),
        (("--top-hz", "nan"), "--top-hz lies in"),
        (("--seed", "-1"), "--seed lies in"),
        (("--drum", "oak", "--diameter-in", "12"), "leave out --diameter-in"),
        (("--top-hz", "950"), "the top head"),
        (("--film-mil", "0.8", "--top-hz", "500", "--bottom-semitones", "-9"), "past the safe stress of its film"),
    ],
)
def test_what_cannot_be_taught_is_refused_and_nothing_written(command, tmp_path, options, says):
    status, out, err = command("lesson", "--out", tmp_path / "l", *options)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size", [(6.0, 4.0, 4), (22.0, 18.0, 10)])
def test_small_and_large_drums_can_be_taught(size):
    from drumtune.advice.lesson import whole
    from drumtune.cli import lesson_job

    values = dict(zip(lesson_job.LIMITS, (*size, None, 3.0, 10.0, 7.5), strict=True))
    assert len(whole.lesson(lesson_job.described(values), 4).chapters) == 8


def test_a_file_in_the_place_of_the_folder_is_refused(command, tmp_path):
    (tmp_path / "l").write_text("x")
    status, _, err = command("lesson", "--out", tmp_path / "l")
    assert (status, err.count("\n")) == (2, 1)
    assert "it is no folder" in err


def test_a_drum_open_below_is_refused():
    from drumtune.cli import lesson_job
    from drumtune.errors import StandError
    from drumtune.stand import parse_stand

    text = '[drum]\nname = "elm"\ndiameter_in = 13\ndepth_in = 9\nrods = 6\ntop = { film_mil = 10 }\n'
    with pytest.raises(StandError, match="open below"):
        lesson_job.of_stand(parse_stand(text))
