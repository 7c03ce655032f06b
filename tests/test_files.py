"""Files are written whole or not at all."""

import pytest

from drumtune.errors import DrumtuneError
from drumtune.files import check_folder, check_picture, check_writable, written


def test_a_file_appears_under_its_name_when_the_block_ends_well(tmp_path):
    with written(tmp_path / "a.txt") as temporary:
        temporary.write_text("whole")
        assert not (tmp_path / "a.txt").exists()
    assert (tmp_path / "a.txt").read_text() == "whole"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("failure", [ValueError, KeyboardInterrupt])
def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path, failure):
    (tmp_path / "a.txt").write_text("old")

    def broken():
        with written(tmp_path / "a.txt") as temporary:
            temporary.write_text("half")
            raise failure

    with pytest.raises(failure):
        broken()
    assert (tmp_path / "a.txt").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_a_full_disk_is_a_failure_of_one_line(tmp_path):
    def broken():
        with written(tmp_path / "a.txt"):
            raise OSError(28, "No space left on device")

    with pytest.raises(DrumtuneError, match="No space left on device"):
        broken()
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_a_failure_of_one_line(tmp_path):
    def broken():
        with written(tmp_path / "none" / "a.txt"):
            pass

    with pytest.raises(DrumtuneError, match="cannot write"):
        broken()
    with pytest.raises(DrumtuneError, match="there is no folder"):
        check_writable(tmp_path / "none" / "a.txt")


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(DrumtuneError, match="it is a folder"):
        check_writable(tmp_path)


@pytest.mark.parametrize("name", ["a.png", "a.SVG", "a.pdf"])
def test_three_kinds_of_picture_are_written(tmp_path, name):
    check_picture(tmp_path / name)


@pytest.mark.parametrize("name", ["a", "a.jpg", "png", ".png"])
def test_other_kinds_of_picture_are_refused(tmp_path, name):
    with pytest.raises(DrumtuneError, match=r"\.png, \.svg or \.pdf"):
        check_picture(tmp_path / name)


def test_a_folder_that_is_a_file_or_cannot_be_made_is_refused_before_any_work(tmp_path):
    (tmp_path / "a.txt").write_text("x")
    check_folder(tmp_path)
    check_folder(tmp_path / "new")
    for folder in (tmp_path / "a.txt", tmp_path / "no" / "new"):
        with pytest.raises(DrumtuneError, match="cannot write"):
            check_folder(folder)
