"""The application with work that is made up, for tests of the server alone; and sound as a page sends it."""

import struct
from dataclasses import dataclass

import numpy as np
from starlette.testclient import TestClient

from drumtune.advice.turns import Move
from drumtune.errors import DrumtuneError, TakeError
from drumtune.web.app import build
from drumtune.web.drumside import Work

HOST = "localhost:8765"
ORIGIN = f"http://{HOST}"
RATE = 16000.0


@dataclass(frozen=True)
class Answer:
    document: dict
    moves: tuple
    verdict: str


def work(tmp_path, **other):
    """Work on one drum called floor with four rods, done in this process."""

    def rods(name):
        if name != "floor":
            raise DrumtuneError(f"the log has no drum called {name!r}")
        return 4

    def read(name, take, turned):
        return Answer({"verdict": "uneven", "taps": [len(taps) for taps in take.groups], "turned": turned},
                      (Move(1, 2, "raise", 0.125),), "uneven")  # fmt: skip

    made = {
        "drums": lambda: [{"name": "floor", "sizes": "14 in", "rods": 4, "takes": 0}],
        "describe": lambda told: told["name"],
        "rods": rods,
        "folder": lambda name: tmp_path / "round",
        "read": read,
        "upload": lambda name, path, per_rod, turned: Answer(
            {"bytes": path.stat().st_size, "name": path.name}, (), "even"
        ),
        "ring": lambda name, samples, rate: {"text": f"{samples.size} samples"},
        "pair": lambda name: {"text": "pair"},
        "kit": lambda: {"text": "kit"},
        "log": lambda name: [],
        "prepare": lambda name: None,
        "call": lambda timeout, do, *words: do(*words),
    }
    (tmp_path / "round").mkdir(exist_ok=True)
    return Work(**made | other)


def client(tmp_path, *, origin=ORIGIN, host=HOST, pairing=None, per_rod=1, **other):
    scheme = "https" if pairing else "http"
    app = build(work(tmp_path, **other), frozenset({HOST}), scheme=scheme, per_rod=per_rod, pairing=pairing)
    headers = {"host": host} | ({"origin": origin.replace("http:", f"{scheme}:")} if origin else {})
    return TestClient(app, base_url=f"{scheme}://{HOST}", headers=headers)


def sound(first, samples):
    return struct.pack("<Q", first) + np.asarray(samples, "<f4").tobytes()


def taps(count, gap=1.5, rate=RATE, seed=2):
    """Strokes of one made head, decaying sines with a click, in a little noise."""
    rng = np.random.default_rng(seed)
    samples = 1e-4 * rng.standard_normal(round((count * gap + 2.0) * rate))
    time = np.arange(round(0.8 * rate)) / rate
    ring = sum(a * np.sin(2 * np.pi * f * time) * np.exp(-time / d) for f, a, d in ((180, 0.3, 0.2), (290, 0.2, 0.15)))
    ring[: round(0.004 * rate)] += 0.05 * rng.standard_normal(round(0.004 * rate))
    for i in range(count):
        start = round((0.6 + i * gap) * rate)
        samples[start : start + ring.size] += ring
    return samples


def until(socket, wanted):
    """Messages up to the first one that is wanted."""
    for _ in range(2000):
        news = socket.receive_json()
        if wanted(news):
            return news
    raise AssertionError("the page was never told")


def play(socket, samples, first=0, size=1600):
    for start in range(0, samples.size, size):
        socket.send_bytes(sound(first + start, samples[start : start + size]))


__all__ = ["Answer", "TakeError", "client", "play", "sound", "taps", "until", "work"]
