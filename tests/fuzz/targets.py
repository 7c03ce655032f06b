"""What a fuzzer feeds: each target takes bytes and may fail only in the way its door promises.

A target is a function of (bytes, folder to write in); `TARGETS` gives them by name with a list of good inputs to start
from. Anything else that is raised is a finding.
"""

import contextlib
import io
import json
import math
import os
from pathlib import Path

import log_material
import numpy as np
import odd_files

from drumtune.advice import round as rounds
from drumtune.advice.rounds import know
from drumtune.audio import read_take
from drumtune.cli import kit_job, log_words, round_job
from drumtune.cli import stand as stand_command
from drumtune.errors import DrumtuneError
from drumtune.stand import Stand, dump_stand, parse_kit, parse_stand
from drumtune.store import exchange, opened, queries
from drumtune.store.schema import TABLES
from drumtune.web import app, drumside

SAMPLES = Path(__file__).resolve().parents[2] / "samples_demo"


def audio(data, folder):
    """Bytes as a recording: read into finite samples, or refused in one line; nothing of it is printed."""
    path = folder / "fuzz"
    path.write_bytes(data)
    with contextlib.suppress(DrumtuneError):
        take = read_take([path])
        assert np.isfinite(take.samples).all()
        assert take.samples.size > 0


def toml(data, folder):
    """Bytes as a kit and as a stand file: refused, or a drum that comes back as it went."""
    text = data.decode("utf-8", "surrogateescape")
    for parse in (parse_kit, parse_stand):
        with contextlib.suppress(DrumtuneError):
            found = parse(text)
            for stand in [found] if isinstance(found, Stand) else found.stands:
                again = parse_stand(dump_stand(stand))
                assert again.name == stand.name
                assert math.isclose(again.depth, stand.depth, rel_tol=1e-9)


def log_json(data, folder):
    """Bytes as an export of a log: refused with no file made, or a log whose takes can all be read."""
    (folder / "log.json").write_bytes(data)
    _imported(folder / "log.json", folder / "log.sqlite3")


def log_csv(data, folder):
    """Bytes as the tables of an export in CSV, with a form feed between tables."""
    (folder / "tables").mkdir(exist_ok=True)
    parts = [*data.split(b"\f"), *[b""] * len(TABLES)]
    for table, part in zip(TABLES, parts, strict=False):
        (folder / "tables" / f"{table}.csv").write_bytes(part)
    _imported(folder / "tables", folder / "log.sqlite3")


def _imported(source, target):
    try:
        exchange.build(target, exchange.read_export(source))
    except DrumtuneError:
        assert not target.exists()
        return
    with opened(target) as connection:
        entries = queries.entries(connection, undone=True)
        log_words.list_json(entries, queries.settings(connection))
        assert queries.faults(connection) == ()
        for entry in entries:
            log_words.entry_json(entry)
        for kept in queries.stands(connection):
            own = queries.entries(connection, stand_id=kept.stand_id)
            if own:
                log_words.learned_document(know(kept.stand.drum, round_job.chain(own)))
                round_job.history(own)
    target.unlink()


def room_json(data, folder):
    """Bytes as the JSON of a room and of a reading, as `drumtune kit` takes them."""
    (folder / "a.json").write_bytes(data)
    with contextlib.suppress(DrumtuneError):
        gain = kit_job.read_room(folder / "a.json")
        assert np.isfinite(gain(np.array([80.0, 200.0, 900.0]))).all()
    with contextlib.suppress(DrumtuneError):
        assert math.isfinite(kit_job._pitch_of(folder / "a.json"))


def page(data, folder):
    """Bytes as messages of a page, one per line: a round goes on, or the message is refused with a ValueError."""
    side = _side(folder)
    tell = drumside.Page()
    side.join(tell)
    for line in data.split(b"\n")[:50]:
        with contextlib.suppress(ValueError, DrumtuneError):
            if line.startswith(b"{") or len(line) < 12:
                side.do(tell, app._object(line.decode("utf-8")))
            else:
                side.hear(tell, line)
        json.dumps(side.state(), allow_nan=False)
        while not tell.waiting.empty():
            tell.waiting.get_nowait()
    assert len(side.state()["taps"]) == 4


def _side(folder):
    nothing = {name: (lambda *words: None) for name in drumside.Work.__dataclass_fields__}
    work = drumside.Work(**nothing | {"folder": lambda name: folder / "round"})
    return Alone("floor", 4, 1, work)


class Alone(drumside.Drumside):
    """A round without a loop: readings and rings are done elsewhere."""

    def _start(self, work):
        work.close()


def told_drum(data, folder):
    """Bytes as the JSON of a drum that a page describes."""
    with contextlib.suppress(ValueError, DrumtuneError):
        told = app._object(data.decode("utf-8"))
        with contextlib.suppress(DrumtuneError):
            stand_command.described(told)


def kept_round(data, folder):
    """Bytes as the file in which a round is kept: taken up, or begun anew."""
    (folder / "round").mkdir(exist_ok=True)
    (folder / "round" / "round.json").write_bytes(data)
    side = _side(folder)
    json.dumps(rounds.document(side.session.state), allow_nan=False)
    with contextlib.suppress(ValueError):
        side.do(drumside.Page(), {"do": "listen", "rate": 16000.0, "tune": "a"})


def texts():
    """Contents of the corpus of texts that are small enough to start from."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        made = odd_files.texts(Path(folder)).values()
        return [path.read_bytes() for path in made if os.path.isfile(path) and path.stat().st_size < 20_000]


def log_exports():
    """One log of two takes as JSON, and as CSV with a form feed between tables."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = log_material.new(Path(folder) / "log.sqlite3")
        log_material.add(path)
        log_material.add(path, "b.wav", source="said", temperature_c=20.0, note="a note")
        with opened(path) as connection:
            content, columns = exchange.tables(connection), exchange.column_names(connection)
    tables = [exchange.as_csv(content[table], columns[table]).encode() for table in TABLES]
    return exchange.as_json(content).encode(), b"\f".join(tables)


def short(rate=8000):
    """A quarter of a second of sound in every format, to be mutated."""
    t = np.arange(rate) / rate
    return [
        odd_files.encoded(0.5 * np.sin(900 * t)[: odd_files.RATE // 8], format=kind, subtype=subtype)
        for kind, subtype in (
            ("WAV", "PCM_16"),
            ("WAV", "FLOAT"),
            ("WAV", "MS_ADPCM"),
            ("WAV", "GSM610"),
            ("FLAC", "PCM_16"),
            ("AIFF", "PCM_24"),
            ("OGG", "VORBIS"),
            ("MP3", "MPEG_LAYER_III"),
            ("CAF", "PCM_16"),
            ("W64", "PCM_16"),
            ("AU", "ULAW"),
            ("RF64", "PCM_16"),
            ("OGG", "OPUS"),
        )
    ] + [odd_files.m4a()]


MESSAGES = (
    b'{"do": "listen", "rate": 16000, "tune": "a"}\n' + bytes(8) + bytes(400) + b'\n{"do": "stop"}',
    b'{"do": "go", "rod": 3}\n{"do": "skip"}\n{"do": "back"}\n{"do": "again"}\n{"do": "extra"}\n{"do": "enough"}',
    b'{"do": "tick", "order": 1}\n{"do": "next"}\n{"do": "restart"}\n{"do": "ring"}',
)
DRUM = (
    b'{"name": "a", "diameter_in": 12, "depth_in": 8, "rods": 6, "top": {"film_mil": 10}, "bottom": {"film_mil": 7.5}}'
)


def _round():
    out = io.StringIO()
    json.dump({"rate": 16000.0, "clock": 12.5, "round": rounds.document(rounds.Round(4, 1))}, out)
    return out.getvalue().encode()


TARGETS = {
    "audio": (audio, short),
    "toml": (toml, lambda: [*texts(), (SAMPLES / "bakery-kit.toml").read_bytes()]),
    "log_json": (log_json, lambda: [log_exports()[0]]),
    "log_csv": (log_csv, lambda: [log_exports()[1]]),
    "room_json": (room_json, texts),
    "page": (page, lambda: list(MESSAGES)),
    "told_drum": (told_drum, lambda: [DRUM]),
    "kept_round": (kept_round, lambda: [_round()]),
}
