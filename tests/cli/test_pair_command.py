"""`drumtune pair` from the outside: fixed names, strict JSON, words, pictures, sounds, and one line for bad input."""

import json
import sys

import numpy as np
import pytest
import soundfile

from drumtune import cli

TOM = ["--diameter-in", "12", "--depth-in", "8", "--top-hz", "150", "--top-film-mil", "10", "--bottom-film-mil", "7.5"]
ROW = {
    "semitones", "interval", "bottom_hz", "low_hz", "high_hz", "ratio", "pair11_hz", "beat_hz", "low_decay_s",
    "high_decay_s", "top_share", "bottom_share",
}  # fmt: skip


@pytest.fixture
def run(monkeypatch, capsys):
    """Run the command; returns (status, stdout, stderr)."""

    def go(*words):
        monkeypatch.setattr(sys, "argv", ["drumtune", "pair", *map(str, words)])
        with pytest.raises(SystemExit) as end:
            cli.main()
        out, err = capsys.readouterr()
        return end.value.code, out, err

    return go


def strict(text):
    """Parse JSON and refuse NaN and Infinity, which are not JSON."""

    def refuse(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(text, parse_constant=refuse)


def test_json_has_the_fixed_names_and_nothing_else_is_printed(run):
    status, out, err = run(*TOM, "--json")
    found = strict(out)
    assert (status, err) == (0, "")
    assert {"offsets", "recommended", "feel", "fit"} <= set(found)
    assert [row["semitones"] for row in found["offsets"]] == list(range(-12, 13))
    assert all(set(row) == ROW for row in found["offsets"])
    assert all(set(one) == {"rank", "semitones", "why"} for one in found["recommended"])
    assert set(found["feel"]) == {"stiffness_n_per_mm", "contact_ms"}
    assert set(found["fit"]) == {"coupling_hz", "coupling_sd_hz", "residual_cents"}


def test_rows_agree_with_themselves(run):
    for row in strict(run(*TOM, "--json")[1])["offsets"]:
        assert row["ratio"] == pytest.approx(row["high_hz"] / row["low_hz"], rel=1e-4)
        assert row["beat_hz"] == pytest.approx(row["pair11_hz"][1] - row["pair11_hz"][0], abs=2e-3)
        assert row["top_share"] + row["bottom_share"] == pytest.approx(1.0, abs=2e-4)
        assert row["bottom_hz"] == pytest.approx(150.0 * 2 ** (row["semitones"] / 12), abs=1e-3)
    assert strict(run(*TOM, "--json")[1])["offsets"][17]["interval"] == "fourth"


def test_the_feel_is_that_of_the_top_head_whatever_the_bottom_does(run):
    feels = [strict(run(*TOM, "--json", "--bottom-hz", hz)[1])["feel"] for hz in (120, 200)]
    assert feels[0] == feels[1]
    tighter = strict(run(*[*TOM[:5], "200", *TOM[6:]], "--json")[1])["feel"]
    assert tighter["stiffness_n_per_mm"] > feels[0]["stiffness_n_per_mm"]
    assert tighter["contact_ms"] < feels[0]["contact_ms"]


def test_blocked_frequencies_give_the_snare_drums_pair(run):
    words = ["--top-blocked-hz", 227, "--bottom-blocked-hz", 299, "--coupling-hz", 181]
    row = strict(run(*words, "--json")[1])["offsets"][0]
    # pair Q, blocked heads M: Rossing, Bork, Zhao & Fystrom, JASA 92(1), 1992
    assert (row["low_hz"], row["high_hz"]) == pytest.approx((182.0, 330.0), rel=0.01)
    assert set(row) == ROW
    status, out, _ = run(*words)
    assert status == 0
    assert "180.6 Hz" in out
    assert "parallel" in out


def test_words_name_pitch_turns_gain_cost_and_care(run):
    status, out, err = run(*TOM, "--bottom-hz", 160, "--aim", "open")
    assert (status, err) == (0, "")
    for words in ("top head muted", "every rod", "turns", "costs", "ear protection", "beats", "N/mm"):
        assert words in out


def test_an_unreachable_pitch_is_null_and_said_in_words(run):
    snare = ["--diameter-in", 14, "--depth-in", 5.5, "--top-hz", 300, "--bottom-film-mil", 3]
    last = strict(run(*snare, "--json")[1])["offsets"][-1]
    assert last["low_hz"] is None
    assert last["pair11_hz"] == [None, None]
    assert "no tension of this head" in run(*snare)[1]


@pytest.fixture
def kept(command, tmp_path):
    """Words for a snare of a log whose bottom head is told by film and by weight, the top by its pitch near a rod."""
    stand, log = tmp_path / "snare.toml", tmp_path / "log.sqlite3"
    stand.write_text(
        '[drum]\nname = "snare"\ndiameter_in = 14\ndepth_in = 5.5\nrods = 8\ntop = { film_mil = 10, rod_hz = 300 }\n'
        "bottom = { film_mil = 2, surface_density_kg_m2 = 0.08 }\n"
    )
    assert command("stand", "new", "--file", stand, "--log", log)[0] == 0
    return "--drum", "snare", "--log", log


def test_a_head_told_by_film_and_by_weight_keeps_both(run, kept):
    typed = "--diameter-in 14 --depth-in 5.5 --bottom-film-mil 2 --bottom-surface-density-kg-m2 0.08 --top-hz 300"
    for words in (kept, typed.split()):
        stand = strict(run(*words, "--json")[1])["stand"]
        assert (stand["bottom_film_mil"], stand["bottom_surface_density_kg_m2"]) == (2.0, 0.08)
        status, _, err = run(*words, "--bottom-hz", 540)
        assert status == 2
        assert "past the strength of polyester" in err


def test_pitches_kept_of_the_rods_are_not_taken_for_those_of_the_centre(run, kept):
    status, _, err = run(*kept, "--pitch", "centre")
    assert status == 2
    assert "--top-hz is missing" in err


def test_pictures_and_sounds_are_written(run, tmp_path):
    for ending in ("png", "svg", "pdf"):
        assert run(*TOM, "--plot", tmp_path / f"p.{ending}")[0] == 0
        assert (tmp_path / f"p.{ending}").stat().st_size > 5000
    status, _, _ = run(*TOM, "--aim", "open", "--render", tmp_path / "wavs")
    files = sorted((tmp_path / "wavs").glob("*.wav"))
    assert status == 0
    assert len(files) == 4  # equal heads and three recommended
    levels = []
    for path in files:
        sound, rate = soundfile.read(path)
        assert rate == 48000
        levels.append(np.abs(sound).max())
    assert max(levels) == pytest.approx(0.7, abs=0.01)


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    """Three takes of two masses and springs: 170 and 210 Hz alone, coupling 120 Hz, from plain code."""
    folder, rng, rate = tmp_path_factory.mktemp("takes"), np.random.default_rng(3), 22050
    low, high = np.sqrt(np.linalg.eigvalsh([[170.0**2, -(120.0**2)], [-(120.0**2), 210.0**2]]))
    t = np.arange(rate) / rate
    paths = []
    for name, lines in (("top", [(170, 9)]), ("bottom", [(210, 9)]), ("open", [(low, 5), (high, 20)])):
        hit = sum(np.exp(-g * t) * np.sin(2 * np.pi * f * t) for f, g in lines)
        sound = np.concatenate([np.zeros(rate // 4), hit, 0.8 * hit, 0.9 * hit]) / 2
        paths += [f"--{name}-take", folder / f"{name}.wav"]
        soundfile.write(paths[-1], 0.7 * sound + 0.003 * rng.standard_normal(sound.size), rate)
    return paths


def test_takes_tell_the_coupling_and_where_the_heads_are(run, takes):
    status, out, err = run("--diameter-in", 12, "--depth-in", 8, *takes, "--json")
    found = strict(out)
    assert (status, err) == (0, "")
    assert found["fit"]["coupling_hz"] == pytest.approx(120.0, rel=0.03)
    assert found["fit"]["coupling_sd_hz"] > 0.0
    assert {line["take"] for line in found["lines"]} == {"top", "bottom", "open"}
    assert found["targets"][0]["turns"] is not None
    assert "measured" in found["notes"][0]
    assert "From the takes: coupling 1" in run("--diameter-in", 12, "--depth-in", 8, *takes)[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "--diameter-in is missing"),
        (["--diameter-in", 3, *TOM[2:]], "--diameter-in must be 5 to 40"),
        (["--diameter-in", "nan", *TOM[2:]], "--diameter-in"),
        (["--diameter-in", 12, "--depth-in", 0, "--top-hz", 150], "--depth-in must be"),
        (["--diameter-in", 12, "--depth-in", 8], "--top-hz"),
        ([*TOM[:4], "--top-hz", -5], "--top-hz must be"),
        ([*TOM[:4], "--top-hz", 1200, "--top-film-mil", 2], "strength"),
        ([*TOM, "--bottom-film-mil", 0], "--bottom-film-mil"),
        ([*TOM, "--bottom-surface-density-kg-m2", 9], "--bottom-surface-density-kg-m2"),
        ([*TOM, "--aim", "loud"], "--aim"),
        ([*TOM, "--pitch", "rim"], "--pitch"),
        ([*TOM, "--vent-mm", 0], "--vent-mm"),
        ([*TOM, "--stick-g", 0], "--stick-g"),
        ([*TOM, "--plot", "p.jpg"], ".png, .svg or .pdf"),
        ([*TOM, "--plot", "no/such/folder/p.png"], "no folder"),
        ([*TOM, "--render", "no/such/folder/wavs"], "no folder"),
        ([*TOM, "--top-take", "x.wav"], "threes"),
        ([*TOM, "--top-take", "x.wav", "--bottom-take", "x.wav", "--open-take", "x.wav"], "x.wav"),
        (["--top-blocked-hz", 200], "--bottom-blocked-hz is missing"),
        (["--top-blocked-hz", 200, "--bottom-blocked-hz", 200, "--coupling-hz", 200], "geometric mean"),
        (["--top-blocked-hz", 200, "--bottom-blocked-hz", 300, "--coupling-hz", 100, "--plot", "p.png"], "--plot"),
        (["--top-hz", "many"], "--top-hz"),
    ],
)
def test_bad_input_is_one_line_and_status_two(run, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    status, out, err = run(*words)
    assert status == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_takes_that_hold_no_pair_are_one_line(run, takes):
    same = ["--top-take", takes[1], "--bottom-take", takes[3], "--open-take", takes[1]]
    status, out, err = run("--diameter-in", 12, "--depth-in", 8, *same)
    assert (status, out) == (2, "")
    assert "no (0,1) pair" in err
