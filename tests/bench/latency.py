"""How late a tap shows, with the real server and sound in real time. Run: python tests/bench/latency.py [PAGES].

From the moment the block with the end of a tap's half second is sent to the moment the page is told of it, and from
the last tap to the moves. The other pages send the same sound, each to a drum of its own.
"""

import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile
from websockets.sync.client import connect

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))

from pages_made import sound

from drumtune.dsp.taps import find_taps

TAKE = Path(__file__).parents[1] / "data" / "taps" / "take01.flac"
BLOCK = 1024
RUN = [sys.executable, "-c", "from drumtune.cli import main; main()"]


def one_page(address, drum, samples, rate, told, sent):
    """Send the take in real time; note when each count of taps was told, and when each block was sent."""
    host = address.removeprefix("http://").rstrip("/")
    with connect(f"ws://{host}/live?drum={drum}", origin=f"http://{host}") as socket:
        socket.send(json.dumps({"do": "listen", "rate": rate, "tune": drum}))

        def listen():
            for text in socket:
                state = json.loads(text).get("state")
                if state:
                    told.setdefault(sum(state["taps"]), time.perf_counter())
                    if state["phase"] == "moves":
                        told["moves"] = time.perf_counter()
                        return

        threading.Thread(target=listen, daemon=True).start()
        began = time.perf_counter()
        for start in range(0, samples.size - BLOCK, BLOCK):
            wait = began + (start + BLOCK) / rate - time.perf_counter()
            time.sleep(max(wait, 0.0))
            sent.append(time.perf_counter())
            socket.send(sound(start, samples[start : start + BLOCK]))
        for _ in range(600):
            if "moves" in told:
                return
            time.sleep(0.1)


def main(pages):
    """Print medians and worst cases."""
    samples, rate = soundfile.read(TAKE)
    samples = np.concatenate((samples, np.zeros(rate)))
    ends = [tap.onset + 0.5 for tap in find_taps(samples, rate).taps]
    with tempfile.TemporaryDirectory() as folder:
        log = f"{folder}/log.sqlite3"
        size = ["--diameter-in", "10", "--depth-in", "9", "--rods", "6", "--film-mil", "7.5"]
        for page in range(pages):
            subprocess.run(
                [*RUN, "stand", "new", f"d{page}", *size, "--log", log], check=True, stdout=subprocess.DEVNULL
            )
        server = subprocess.Popen([*RUN, "serve", "--port", "0", "--log", log], stdout=subprocess.PIPE, text=True,
                                  env={**os.environ, "PYTHONUNBUFFERED": "1"})  # fmt: skip
        try:
            address = server.stdout.readline().split()[-1]
            time.sleep(15)  # until the worker is warm
            results = [({}, []) for _ in range(pages)]
            threads = [threading.Thread(target=one_page, args=(address, f"d{i}", samples, rate, *results[i]))
                       for i in range(pages)]  # fmt: skip
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        finally:
            server.terminate()
            server.wait()
    late = [told[i + 1] - sent[int(end * rate // BLOCK)] for told, sent in results for i, end in enumerate(ends)]
    moves = [told["moves"] - sent[int((ends[-1] - 0.5) * rate // BLOCK)] for told, sent in results if "moves" in told]
    print(
        f"{pages} page(s): half second to tick, median {1e3 * np.median(late):.0f} ms, worst {1e3 * max(late):.0f} ms"
    )
    print(f"last tap to moves: {[round(value, 1) for value in moves]} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
