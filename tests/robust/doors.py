"""Every place of a command at which a file is named, as (place, words), with FILE where the file goes.

`material` writes the good files the other places of a command need; `doors` gives the places by name.
"""

import shutil
from pathlib import Path

import numpy as np
import soundfile

from drumtune.advice.synthetic_take import Recipe, play, play_moves
from drumtune.advice.turns import signed_turns
from drumtune.audio import write_wav
from drumtune.cli import round_job
from drumtune.drum import INCH, Drum, Head
from drumtune.store import changes, opened, queries

FILE = "FILE"
STAND = ("--diameter-in", "12", "--rods", "6", "--taps-per-rod", "2")
ROOM = ("--size-m", "5x4x2.5", "--drum-at", "1,1,1", "--mic-at", "3,2,1")
KIT = """[[drum]]
name = "rack"
diameter_in = 12
depth_in = 8
rods = 6
top = { film_mil = 10, rod_hz = 210 }
[[drum]]
name = "floor"
diameter_in = 16
depth_in = 14
rods = 8
top = { film_mil = 10, rod_hz = 150 }
bottom = { film_mil = 7.5 }
"""


def burst(rate=8000):
    """Noise that dies in half a second: a clap in a room, as short as can be."""
    t = np.arange(round(1.2 * rate)) / rate
    noise = np.random.default_rng(3).standard_normal(t.size)
    return np.concatenate((np.zeros(800), 0.3 * noise * np.exp(-13.8 * t) + 1e-5 * noise[::-1]))


def material(folder, kept_stand):
    """Write the good files into a folder; {name: path}."""
    drum = Drum(Head.of_film(6 * INCH, 10), 6)
    recipe = Recipe(drum, (0.0, 20.0, -30.0, 10.0, 0.0, 0.0), 210.0, 2, gap=0.6, pause=0.3)
    taps = play(recipe, 8000)
    write_wav(folder / "taps.wav", taps, 8000)
    soundfile.write(folder / "clap.wav", burst(), 8000)
    (folder / "kit.toml").write_text(KIT)
    with opened(folder / "log.sqlite3", writing=True) as connection:
        changes.add_stand(connection, kept_stand)
    log = Path(shutil.copy(folder / "log.sqlite3", folder / "advised.sqlite3"))
    with opened(log) as connection:
        drum = queries.stand(connection, kept_stand.name)
    advised, _ = round_job.do([folder / "taps.wav"], drum, log, round_job.Asked(), taps_per_rod=2)
    turns = [signed_turns([move], 6) for move in advised.plan.moves]
    assert turns  # for what is asked of them
    write_wav(folder / "moves.wav", play_moves(recipe, turns, 8000), 8000)
    return {path.stem: path for path in folder.iterdir()}


def for_recordings(good, out):
    """Places a recording goes."""
    pictures = ("--plot", out / "o.png", "--report", out / "o.html")
    pair = ("pair", "--diameter-in", 12, "--depth-in", 8)
    asked = ("--take", good["taps"], "--drum", "floor", "--log", good["advised"])
    takes = ("--top-take", "--bottom-take", "--open-take")
    found = {
        "even": ("even", FILE, *STAND, "--csv", out / "o.csv", *pictures),
        "even, one of two": ("even", good["taps"], FILE, *STAND),
        "even, kept": ("even", FILE, "--taps-per-rod", 2, "--drum", "floor", "--log", good["log"]),
        "turned": ("turned", FILE, *asked, "--plot", out / "o.png"),
        "turned --take": ("turned", good["moves"], "--take", FILE, *asked[2:], "--plot", out / "o.png"),
        "ring": ("ring", FILE, "--diameter-in", 12, "--json", *pictures),
        "ring --compare": ("ring", good["clap"], "--compare", FILE),
        "room": ("room", FILE, *ROOM, "--save", out / "o.json", *pictures),
        "room --sweep": ("room", good["clap"], *ROOM, "--sweep", FILE),
        "room --near": ("room", *ROOM, "--near", FILE, "--far", good["clap"]),
        "room --far": ("room", *ROOM, "--near", good["clap"], "--far", FILE),
    }
    for place in takes:
        words = [word for take in takes for word in (take, FILE if take == place else good["taps"])]
        found[f"pair {place}"] = (*pair, *words, "--render", out / "sounds")
    return found


def for_texts(good, out):
    """Places a text goes."""
    kit = good["kit"]
    return {
        "kit": ("kit", FILE, "--plot", out / "o.png", "--render", out / "o.wav", "--report", out / "o.pdf"),
        "kit --room": ("kit", kit, "--room", FILE, "--json"),
        "kit --now": ("kit", kit, "--now", f"rack={FILE}"),
        "stand new --file": ("stand", "new", "--file", FILE, "--log", out / "new.sqlite3"),
        "log import": ("log", "import", FILE, "--log", out / "new.sqlite3"),
    }


def for_logs(good, out):
    """Places a log goes."""
    words = {
        "even": (good["taps"], "--drum", "floor"),
        "turned": (good["moves"], "--take", good["taps"], "--drum", "floor"),
        "ring": (good["clap"], "--drum", "floor"),
        "synth": (out / "o.wav", "--drum", "floor"),
        "pair": ("--drum", "floor"),
        "lesson": ("--out", out / "l", "--drum", "floor"),
        "listen": ("--drum", "floor"),
        "stand show": ("floor",),
        "stand list": (),
        "stand new": ("other", "--diameter-in", 12, "--depth-in", 8, "--rods", 6),
        "log list": (),
        "log show": (1,),
        "log learned": ("--drum", "floor"),
        "log compare": (1, 2),
        "log save": ("now", "--drum", "floor"),
        "log undo": (),
        "log redo": (),
        "log delete": (1, "--yes"),
        "log plot": (out / "o.png", "--drum", "floor"),
        "log export": (out / "o.json",),
        "log check": (),
        "log update": (),
    }
    return {f"{name} --log": (*name.split(), *rest, "--log", FILE) for name, rest in words.items()}


def for_outputs(good, out):
    """Places a file to write goes."""
    hit, room = ("ring", good["clap"]), ("room", *ROOM)
    taps = ("even", good["taps"], *STAND)
    pair = ("pair", "--diameter-in", 12, "--depth-in", 8, "--top-hz", 150)
    return {
        "even --plot": (*taps, "--plot", FILE),
        "even --csv": (*taps, "--csv", FILE),
        "even --report": (*taps, "--report", FILE),
        "turned --plot": (
            "turned",
            good["moves"],
            "--take",
            good["taps"],
            "--drum",
            "floor",
            "--log",
            good["advised"],
            "--plot",
            FILE,
        ),
        "ring --plot": (*hit, "--plot", FILE),
        "ring --report": (*hit, "--report", FILE),
        "room --plot": (*room, "--plot", FILE),
        "room --report": (*room, "--report", FILE),
        "room --save": (*room, "--save", FILE),
        "room --render": (*room, "--render", FILE),
        "room --write-sweep": ("room", "--write-sweep", FILE),
        "pair --plot": (*pair, "--plot", FILE),
        "pair --report": (*pair, "--report", FILE),
        "pair --render": (*pair, "--render", FILE),
        "kit --plot": ("kit", good["kit"], "--plot", FILE),
        "kit --report": ("kit", good["kit"], "--report", FILE),
        "kit --render": ("kit", good["kit"], "--render", FILE),
        "kit --example": ("kit", FILE, "--example"),
        "synth": ("synth", FILE, "--diameter-in", 12, "--rods", 4, "--taps-per-rod", 1, "--rate", 8000),
        "log plot": ("log", "plot", FILE, "--drum", "floor", "--log", good["log"]),
        "log export": ("log", "export", FILE, "--log", good["log"]),
        "demo --out": ("demo", "--out", FILE),
        "lesson --out": ("lesson", "--out", FILE),
    }


def with_file(words, path):
    """The words with a file put in its place."""
    return [str(word).replace(FILE, str(path)) if isinstance(word, str) else str(word) for word in words]
