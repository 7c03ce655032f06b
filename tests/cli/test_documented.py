"""Every option and every JSON name is told in the page of its command, and every --json answer fits its schema.

Options come from the parser itself, names from the schemas; these allow no name they do not know, so that answers to
the demo material prove them whole.
"""

import copy
import json
import re
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile
import typer
from rich.text import Text

from drumtune.cli import build
from drumtune.cli.demo import samples

DOCS = Path(__file__).resolve().parents[2] / "docs"
PAGES = {
    "even": "even", "demo": "even", "synth": "synth", "pair": "pair", "ring": "ring", "room": "room", "kit": "kit",
    "stand": "stand", "log": "log", "listen": "live", "serve": "live", "lesson": "lesson", "each": "even",
    "turned": "log",
}  # fmt: skip
"""Command, or first word of a schema's name, to its page."""
SCHEMAS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted((DOCS / "schema").glob("*.json"))}


def commands(group, names=()):
    """All commands under a group with their words."""
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, (*names, name))
        else:
            yield (*names, name), command


ROOT = typer.main.get_command(build())
ALL = dict(commands(ROOT))


def page(word):
    return (DOCS / f"{PAGES[word]}.md").read_text(encoding="utf-8")


def told(option, text):
    """Whether an option stands in a text as a word of its own: --rods is not told by --rods-only."""
    return re.search(rf"(?<![\w-]){re.escape(option)}(?![\w-])", text) is not None


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_option_is_told_in_the_page_of_its_command(words):
    options = [name for option in ALL[words].params for name in option.opts if name.startswith("--")]
    assert [name for name in options if name != "--help" and not told(name, page(words[0]))] == []


def test_every_option_of_drumtune_itself_is_told_in_the_readme():
    text = (DOCS.parent / "README.md").read_text(encoding="utf-8")
    options = [name for option in ROOT.params for name in option.opts]
    assert "--version" in options
    assert [name for name in options if not told(name, text)] == []


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_option_and_argument_has_a_help_text(words):
    bare = [option.name for option in ALL[words].params if not getattr(option, "help", "")]
    assert bare == []


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_help_is_printed_as_it_is_written(words):
    """The parser takes words in square brackets for markup, and leaves them out, unless they are escaped."""
    texts = [ALL[words].help, ALL[words].epilog, *(getattr(option, "help", None) for option in ALL[words].params)]
    for text in filter(None, texts):
        assert Text.from_markup(text).plain == text.replace("\\[", "["), text


def fields(schema):
    """All names a schema knows, each with its own schema."""
    for name, inner in schema.get("properties", {}).items():
        yield name, inner
        yield from fields(inner)
    for inner in [*filter(None, [schema.get("items")]), *schema.get("oneOf", ())]:
        yield from fields(inner)


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_name_of_the_json_is_told_in_the_page_of_its_command(name):
    text = page(name.partition("-")[0])
    lacking = {field for field, _ in fields(SCHEMAS[name]) if f"`{field}`" not in text}
    if name == "log-show":  # its page says that it has the names of even
        lacking = {field for field in lacking if f"`{field}`" not in page("even")}
    assert lacking == set()


def test_pages_tell_an_option_only_as_a_whole_word():
    assert told("--rods", "| `--rods` | rods |")
    assert not told("--rods", "| `--rods-only` | rods |")
    assert not told("--rods", "rods")


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_is_one_and_says_of_every_field_what_it_is_and_knows_no_others(name):
    schema = SCHEMAS[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["title"] == f"drumtune {name.replace('-', ' ').replace('each', 'even --each')} --json"
    for field, inner in fields(schema):
        assert len(inner["description"]) > 2, field
        assert "object" not in inner.get("type", ()) or inner["additionalProperties"] is False, field
    assert f"schema/{name}.json" in (DOCS / "json.md").read_text(encoding="utf-8")


UNITS = {
    "_hz": "Hz", "_cents": "cents", "_s": ", s", "_db": "dB", "_mm": "mm", "_mil": "mil", "_in": "inches", "_ms": "ms",
    "_percent": "%", "_mpa": "MPa", "_kg_m2": "kg/m2", "_m": ", m", "_m3": "m3", "_semitones": "semitones",
    "_bytes": "bytes", "_n_per_mm": "N/mm", "_c": "°C",
}  # fmt: skip


def test_every_field_with_a_unit_in_its_name_tells_it():
    for name, schema in SCHEMAS.items():
        for field, inner in fields(schema):
            ending = max((end for end in UNITS if field.endswith(end)), key=len, default=None)
            if (
                ending
                and not {"object", "array"} & {*inner.get("type", ())}
                and inner.get("type") not in ("object", "array")
            ):
                assert UNITS[ending] in inner["description"], (name, field)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Demo material: the recording of taps that comes along and what is told of it, the example kit, a folder."""
    folder = tmp_path_factory.mktemp("demo")
    stand = json.loads((samples() / "stand.json").read_text(encoding="utf-8"))
    found = {"folder": folder, "taps": samples() / stand["recording"], "kit": samples() / "bakery-kit.toml"}
    return found | {"rods": stand["rods"], "diameter": stand["diameter_in"], "per rod": stand["taps_per_rod"]}


@pytest.fixture
def answer(command, demo, monkeypatch):
    """Run a command in the demo folder; what it printed, as JSON where it is."""
    monkeypatch.chdir(demo["folder"])

    def run(words, wanted=0):
        status, out, err = command(*words.format(**demo).split())
        assert (status, err) == (wanted, "") or (status == wanted == 2 and err.count("\n") == 1), (words, err)
        return json.loads(out, parse_constant=pytest.fail) if "--json" in words else out

    return run


def fits(name, document):
    jsonschema.Draft202012Validator(SCHEMAS[name]).validate(document)
    return document


SIZES = "--diameter-in {diameter} --rods {rods} --taps-per-rod {per rod}"


def test_answers_of_even_and_of_a_log_fit_their_schemas(answer):
    alone = fits("even", answer(f"even {{taps}} {SIZES} --json"))
    assert "log" not in alone
    answer("stand new floor --diameter-in {diameter} --depth-in 14 --rods {rods} --log a.sqlite3")
    answer("synth second.wav --diameter-in {diameter} --rods {rods} --seed 5 --taps-per-rod {per rod}")
    fits("even", answer("even {taps} --drum floor --taps-per-rod {per rod} --temperature-c 20 --log a.sqlite3 --json"))
    kept = fits("even", answer("even second.wav --drum floor --turned 2:+1/16 --note a --log a.sqlite3 --json"))
    assert kept["log"]["turned"]["source"] == "said"
    answer("log save studio --drum floor --log a.sqlite3")
    listed = fits("log-list", answer("log list --log a.sqlite3 --json"))
    assert (len(listed["takes"]), len(listed["settings"])) == (2, 1)
    assert fits("log-show", answer("log show 2 --log a.sqlite3 --json"))["log"]["note"] == "a"
    assert fits("log-learned", answer("log learned --drum floor --log a.sqlite3 --json"))["pairs"] == 1
    fits("log-compare", answer("log compare 1 2 --log a.sqlite3 --json"))
    signs = {"raise": "+", "lower": "-"}
    moves = ",".join(f"{move['rod']}:{signs[move['action']]}{move['turns']}" for move in kept["moves"])
    answer(f"synth moves.wav --drum floor --moves {moves} --log a.sqlite3")
    heard = answer("turned moves.wav --take second.wav --drum floor --log a.sqlite3 --json")
    assert fits("turned", heard)["taps_each"] == 3


def test_answers_to_several_takes_fit_their_schema(answer, demo):
    soundfile.write(demo["folder"] / "silent.wav", [0.0] * 8000, 8000)
    found = fits("each", answer(f"even {{taps}} silent.wav --each {SIZES} --json", 2))
    assert ["failure" in take for take in found["takes"]] == [False, True]


def test_answers_of_pair_fit_their_schema(answer):
    fits("pair", answer("pair --diameter-in 12 --depth-in 8 --top-hz 150 --bottom-hz 160 --json"))
    blocked = answer("pair --top-blocked-hz 227 --bottom-blocked-hz 299 --coupling-hz 181 --json")
    assert set(fits("pair", blocked)) == {"offsets", "recommended", "feel", "fit"}


def test_answers_of_ring_fit_their_schema(answer):
    answer("synth hits.wav --diameter-in 12 --depth-in 8 --hits 2 --seed 5")
    found = fits("ring", answer("ring hits.wav --diameter-in 12 --compare hits.wav --json"))
    assert found["changes"]
    assert found["hits"][0]["partials"]


def test_answers_of_room_and_kit_fit_their_schemas(answer, demo):
    places = "--size-m 5.6x4.1x2.6 --drum-at 1.4,1.1,0.7 --mic-at 4.3,3,1.3"
    answer(f"room {places} --t60-s 0.4 --render burst.wav")
    found = fits("room", answer(f"room burst.wav {places} --notes A2,D3 --save room.json --json"))
    assert found["bands"]
    assert found == json.loads((Path.cwd() / "room.json").read_text(encoding="utf-8"))
    t = np.arange(16000) / 8000
    for name, level in (("near", 0.8), ("far", 0.03)):
        hit = level * np.exp(-6.0 * t) * np.sin(2 * np.pi * 111.0 * t) + 1e-6 * np.random.default_rng(
            1
        ).standard_normal(t.size)
        soundfile.write(demo["folder"] / f"{name}.wav", hit, 8000, subtype="FLOAT")
    assert fits("room", answer(f"room {places} --near near.wav --far far.wav --json"))["rings"]
    assert fits("kit", answer("kit {kit} --room room.json --json"))["alternatives"]
    fits("kit", answer("kit {kit} --room room.json --match --json"))


def test_a_name_more_or_less_or_a_wrong_kind_does_not_fit(answer):
    good = answer("pair --diameter-in 12 --depth-in 8 --top-hz 150 --json")
    for change in (
        lambda x: x.update(more=1),
        lambda x: x["offsets"][0].update(more=1),
        lambda x: x["offsets"][0].pop("ratio"),
        lambda x: x.update(aim=3),
        lambda x: x["feel"].update(contact_ms="long"),
    ):
        bad = copy.deepcopy(good)
        change(bad)
        with pytest.raises(jsonschema.ValidationError):
            fits("pair", bad)
