"""Bad input at the command: one line on stderr that says what to do, status 2, no traceback, nothing half written."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.advice.synthetic_take import Recipe, play
from drumtune.drum import INCH, Drum, Head

RATE = 8000
STAND = ("--diameter-in", "12", "--rods", "6", "--taps-per-rod", "2")


@pytest.fixture(scope="module")
def taps():
    """Twelve taps round six rods, as quick to make as can be."""
    drum = Drum(Head.of_film(6 * INCH, 10), 6)
    return play(Recipe(drum, (0.0,) * 6, 210.0, 2, gap=0.6, pause=0.3), RATE)


@pytest.fixture
def refused(command, tmp_path):
    """Run `even` with every kind of output, check the manner of the refusal, return its line."""

    def run(path, *options):
        before = sorted(tmp_path.iterdir())
        outputs = ("--plot", tmp_path / "o.png", "--csv", tmp_path / "o.csv")
        status, out, err = command("even", path, *(options or STAND), *outputs)
        assert (status, out) == (2, "")
        assert err.startswith("drumtune: ")
        assert err.count("\n") == 1
        assert err.endswith("\n")
        assert "Traceback" not in err
        assert sorted(tmp_path.iterdir()) == before
        return err

    return run


def written(path, samples, **settings):
    soundfile.write(path, samples, RATE, **settings)
    return path


def test_no_such_file(refused, tmp_path):
    assert "no such file" in refused(tmp_path / "none.wav")


def test_an_empty_file(refused, tmp_path):
    (tmp_path / "a.wav").touch()
    assert "empty" in refused(tmp_path / "a.wav")


def test_an_empty_folder(refused, tmp_path):
    (tmp_path / "folder").mkdir()
    assert "no audio file" in refused(tmp_path / "folder")


def test_a_text_named_as_audio(refused, tmp_path):
    (tmp_path / "a.wav").write_text("dear diary\n" * 50)
    assert "not audio" in refused(tmp_path / "a.wav")


def test_a_file_cut_short_in_its_head(refused, tmp_path, taps):
    path = written(tmp_path / "a.wav", taps)
    path.write_bytes(path.read_bytes()[:20])
    refused(path)


def test_a_file_cut_short_in_the_middle(refused, tmp_path, taps):
    path = written(tmp_path / "a.wav", taps)
    path.write_bytes(path.read_bytes()[: 44 + 2 * taps.size // 2])
    assert "cut short" in refused(path)


def test_half_a_round_tells_the_taps_it_found(refused, tmp_path, taps):
    path = written(tmp_path / "a.wav", taps[: taps.size // 2])
    assert "asked for 6 rods x 2 taps = 12" in refused(path)


def test_silence(refused, tmp_path):
    assert "silent" in refused(written(tmp_path / "a.wav", np.zeros(5 * RATE)))


def test_only_noise(refused, tmp_path):
    noise = 0.1 * np.random.default_rng(1).standard_normal(20 * RATE)
    refused(written(tmp_path / "a.wav", noise))


def test_all_taps_clipped(refused, tmp_path, taps):
    assert "clipped" in refused(written(tmp_path / "a.wav", np.clip(taps * 60.0, -0.99, 0.99)))


def test_samples_that_are_not_numbers(refused, tmp_path, taps):
    broken = taps.copy()
    broken[1000:1010] = np.nan
    assert "NaN" in refused(written(tmp_path / "a.wav", broken, subtype="FLOAT"))


def test_two_taps(refused, tmp_path, taps):
    assert "found 2 taps" in refused(written(tmp_path / "a.wav", taps[: int(1.6 * RATE)]))


def test_a_thousand_taps(refused, tmp_path, taps):
    one = taps[int(0.45 * RATE) : int(0.95 * RATE)]
    assert "asked for 6 rods x 2 taps" in refused(written(tmp_path / "a.wav", np.tile(one, 1000)))


def test_an_hour_of_silence(refused, tmp_path):
    path = tmp_path / "a.flac"
    soundfile.write(path, np.zeros(3600 * RATE, np.int16), RATE)
    assert "silent" in refused(path)


def test_three_hours(refused, tmp_path):
    path = tmp_path / "a.flac"
    soundfile.write(path, np.zeros(3 * 3600 * RATE, np.int16), RATE)
    assert "180 minutes is too long for one take, at most 120 are read" in refused(path)


def test_the_wrong_number_of_rods(refused, tmp_path, taps):
    path = written(tmp_path / "a.wav", taps)
    assert "found 12 taps" in refused(path, "--diameter-in", 12, "--rods", 8, "--taps-per-rod", 2)


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--diameter-in", "120", "5 to 40 inches"),
        ("--diameter-in", "1.2", "5 to 40 inches"),
        ("--diameter-in", "nan", "5 to 40 inches"),
        ("--rods", "3", "4 to 16"),
        ("--rods", "17", "4 to 16"),
        ("--taps-per-rod", "0", "1 to 20"),
        ("--tap-distance-mm", "300", "half a radius"),
        ("--film-mil", "1000", "film 1000 mil is too thick"),
        ("--surface-density-kg-m2", "-1", "0.02 to 3 kg/m2"),
        ("--hoop", "rubber", "flanged, cast or wood"),
        ("--channel", "0", "count from 1"),
        ("--channel", "5", "there is no channel 5"),
        ("--rods", "six", "--rods"),
        ("--temperature-c", "nan", "lies between -40 and 60"),
        ("--temperature-c", "1e308", "lies between -40 and 60"),
        ("--humidity-percent", "101", "lies between 0 and 100"),
    ],
)
def test_an_option_no_drum_or_file_has(refused, tmp_path, taps, option, value, says):
    path = written(tmp_path / "a.wav", taps)
    assert says in refused(path, *STAND, option, value)


def test_film_and_weight_at_once(refused, tmp_path, taps):
    path = written(tmp_path / "a.wav", taps)
    assert "not both" in refused(path, *STAND, "--film-mil", "10", "--surface-density-kg-m2", "0.35")


@pytest.mark.parametrize(
    ("output", "says"),
    [
        (("--plot", "picture.gif"), ".png, .svg or .pdf"),
        (("--plot", "nowhere/picture.png"), "no folder"),
        (("--csv", "."), "it is a folder"),
        (("--csv", "a.wav"), "it is the recording itself"),
        (("--csv", "a.png", "--plot", "a.png"), "two things"),
    ],
)
def test_an_output_that_cannot_be_written_is_refused_before_the_work(
    command, tmp_path, taps, monkeypatch, output, says
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("drumtune.cli.job.do", lambda *_, **__: pytest.fail("the work was done"))
    path = written(tmp_path / "a.wav", taps)
    content = path.read_bytes()
    status, out, err = command("even", "a.wav", *STAND, *output)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert list(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == content


def test_no_recording_named(command):
    status, out, err = command("even", *STAND)
    assert (status, out, err.count("\n")) == (2, "", 1)


def test_the_installed_command_refuses_in_the_same_way(tmp_path):
    command = Path(sys.executable).with_name("drumtune")
    done = subprocess.run(
        [command, "even", tmp_path / "none.wav", *STAND, "--json"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"drumtune: {tmp_path}/none.wav: no such file: check the name\n"


@pytest.mark.parametrize(("words", "said"), [
    (("even", "a.wav", "--diameter-in", "16in", "--rods", "8"),
     "--diameter-in: a number in inches is wanted, such as 16"),
    (("even", "a.wav", "--diameter-in", "16", "--rods", "eight"), "--rods: a whole number is wanted, such as 8"),
    (("synth", "a.wav", "--diameter-in", "12", "--rods", "6", "--film-mil", "0.25"),
     "film 0.25 mil is too thin: is it in mm? 0.25 mm is 9.8 mil"),
    (("synth", "a.wav", "--diameter-in", "12", "--rods", "6", "--film-mil", "250"),
     "film 250 mil is too thick: is it in micrometres? 250 of them are 9.8 mil"),
    (("pair", "--aim", "note", "A2"), "in quotes: --aim 'note A2'"),
])  # fmt: skip
def test_a_slip_in_a_number_is_told_in_the_words_of_the_option(command, words, said):
    status, out, err = command(*words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert said in err


def test_a_folder_of_several_takes_is_told_apart_from_one_file_per_rod(refused, tmp_path, taps):
    (tmp_path / "takes").mkdir()
    for name in "abcd":
        written(tmp_path / "takes" / f"{name}.wav", taps)
    said = refused(tmp_path / "takes")
    assert "these are 4 files, but the drum has 6 rods: give one file per rod" in said
    assert "say --each" in said
