"""A whole guided round by the terminal: a sound server plays a take, `drumtune listen` hears it through PortAudio."""

import json
import subprocess
import sys
import time

import numpy as np
import pytest
import sound_server
from broken_sound import again_if_broken, kept_round, raise_if_broken

from drumtune.audio import read_recording

SAME = 1.0
"""Cents: what issue and documents promise between the round that was heard and the file it was played from."""
PATIENCE = 120.0
"""Seconds a busy machine may take for a reading once the take was played."""


@pytest.mark.skipif(sound_server.missing(), reason=sound_server.MISSING)
@again_if_broken
def test_a_round_heard_at_the_terminal_ends_with_the_pulls_of_the_file(tmp_path, data_takes, command):
    take = read_recording(data_takes / "take01.flac")
    played = tmp_path / "take.wav"
    sound_server.write_played(played, take.samples, take.sample_rate)
    log = tmp_path / "log.sqlite3"
    sizes = ["--diameter-in", 10, "--rods", 6, "--film-mil", 7.5]
    assert command("stand", "new", "lab", "--depth-in", 9, *sizes, "--log", log)[0] == 0
    words = [sys.executable, "-c", "from drumtune.cli import main; main()", "listen", "--drum", "lab", "--once",
             "--json", "--device", "pulse", "--log", str(log)]  # fmt: skip
    with sound_server.running() as env:
        sound_server.wait_for(lambda: sound_server.recorders(env) == 1)  # the sound server's own reader
        with subprocess.Popen(words, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as heard:
            try:
                sound_server.wait_for(lambda: sound_server.recorders(env) == 2 or heard.poll() is not None)
                time.sleep(1.0)  # the first blocks of a fresh stream are thrown away
                sound_server.playing(env, played).wait()
                out, err = heard.communicate(timeout=PATIENCE)
            except subprocess.TimeoutExpired:
                kept = kept_round(tmp_path)
                raise_if_broken(kept)
                raise AssertionError(f"the round did not end: {kept}") from None
            finally:
                heard.kill()
    assert heard.returncode == 0, err
    live = [rod["pull_cents"] for rod in json.loads(out)["rods"]]
    status, printed, _ = command("even", played, *sizes, "--taps-per-rod", 3, "--json")
    assert status == 0
    file = [rod["pull_cents"] for rod in json.loads(printed)["rods"]]
    assert np.abs(np.subtract(live, file)).max() < SAME
