"""How late a tap shows and when the moves come, with the real server and sound in real time.

Run: python tests/bench/latency.py [PAGES] [ROUNDS]. Each page sends the take to a drum of its own.

Told are: from the moment the block with the end of a tap's half second is sent to the moment the page is told of it;
from the last tap to the moves; and the same less the second of ring that a reading waits for, as a multiple of the CPU
time `read_head` takes in this process for the same take. With it the load of the machine, which shifts it all.
"""

import json
import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy is loaded, as the commands do

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

from drumtune.advice.evenness import read_head
from drumtune.drum import INCH, Drum, Head
from drumtune.dsp.by_rod import taps_by_rod
from drumtune.dsp.taps import find_taps
from drumtune.session import RING

TAKE = Path(__file__).parents[1] / "data" / "taps" / "take01.flac"
BLOCK = 1024
RODS, PER_ROD = 6, 3
RUN = [sys.executable, "-c", "from drumtune.cli import main; main()"]


def one_page(address, drum, samples, rate, told, sent):
    """Send the take in real time; note when each count of taps was told, and when each block was sent."""
    host = address.removeprefix("http://").rstrip("/")
    with connect(f"ws://{host}/live?drum={drum}", origin=f"http://{host}") as socket:
        socket.send(json.dumps({"do": "restart"}))
        socket.send(json.dumps({"do": "listen", "rate": rate, "tune": f"{drum}-{time.monotonic()}"}))
        over = threading.Event()

        def listen():
            for text in socket:
                state = json.loads(text).get("state")
                if not state or not sent:
                    continue
                told.setdefault(sum(state["taps"]), time.perf_counter())
                if state["phase"] == "moves" or state["trouble"]:
                    told["moves" if state["phase"] == "moves" else "trouble"] = time.perf_counter()
                    over.set()
                    return

        threading.Thread(target=listen, daemon=True).start()
        began = time.perf_counter()
        for start in range(0, samples.size - BLOCK, BLOCK):
            time.sleep(max(began + (start + BLOCK) / rate - time.perf_counter(), 0.0))
            sent.append(time.perf_counter())
            socket.send(sound(start, samples[start : start + BLOCK]))
        over.wait(60.0)


def at_once(address, pages, samples, rate):
    """A round on each of some pages at the same time: what was told and sent."""
    results = [({}, []) for _ in range(pages)]
    threads = [threading.Thread(target=one_page, args=(address, f"d{i}", samples, rate, *results[i]))
               for i in range(pages)]  # fmt: skip
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return results


def reading_cost(samples, rate):
    """CPU time of `read_head` in this process, warm, s."""
    groups, _ = taps_by_rod(samples, rate, RODS, PER_ROD, ((0, samples.size),))
    drum = Drum(Head.of_film(5 * INCH, 7.5), RODS)
    read_head(samples, rate, groups, drum)
    began = time.process_time()
    read_head(samples, rate, groups, drum)
    return time.process_time() - began


def main(pages, rounds):
    """Print medians and worst cases."""
    samples, rate = soundfile.read(TAKE)
    quiet = np.concatenate((samples[: rate // 4], samples[: rate // 4][::-1]))
    samples = np.concatenate((samples, quiet, quiet))
    ends = [tap.onset + 0.5 for tap in find_taps(samples, rate).taps]
    results = []
    with tempfile.TemporaryDirectory() as folder:
        log = f"{folder}/log.sqlite3"
        size = ["--diameter-in", "10", "--depth-in", "9", "--rods", str(RODS), "--film-mil", "7.5"]
        for page in range(pages):
            subprocess.run(
                [*RUN, "stand", "new", f"d{page}", *size, "--log", log], check=True, stdout=subprocess.DEVNULL
            )
        server = subprocess.Popen([*RUN, "serve", "--port", "0", "--log", log], stdout=subprocess.PIPE, text=True,
                                  env={**os.environ, "PYTHONUNBUFFERED": "1"})  # fmt: skip
        try:
            address = server.stdout.readline().split()[-1]
            load = []
            for _ in range(rounds):
                results += at_once(address, pages, samples, rate)
                load.append(os.getloadavg()[0])
        finally:
            server.terminate()
            server.wait()
    report(results, ends, rate, reading_cost(samples, rate))
    print(f"load of the machine {min(load):.1f} to {max(load):.1f} on {len(os.sched_getaffinity(0))} cores")


def report(results, ends, rate, cost):
    """Print what came of it."""
    late = [told[i + 1] - sent[int(end * rate // BLOCK)] for told, sent in results for i, end in enumerate(ends)
            if i + 1 in told]  # fmt: skip
    moves = [told["moves"] - sent[int((ends[-1] - 0.5) * rate // BLOCK)] for told, sent in results if "moves" in told]
    print(f"{len(results)} rounds, {len(moves)} with moves")
    print(f"half second to tick: median {1e3 * np.median(late):.0f} ms, worst {1e3 * max(late):.0f} ms")
    print(f"last tap to moves: median {np.median(moves):.2f} s, all {[round(value, 2) for value in sorted(moves)]}")
    print(f"less the ring of {RING} s, against the {cost:.2f} s of CPU time of read_head here: median "
          f"{(np.median(moves) - RING) / cost:.1f} times")  # fmt: skip


if __name__ == "__main__":
    main(*(int(word) for word in (sys.argv[1:] + ["1", "1"][len(sys.argv) - 1 :])))
