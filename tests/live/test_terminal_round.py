"""A whole guided round by the terminal: a sound server plays a take, `drumtune listen` hears it through PortAudio."""

import json
import subprocess
import sys
import time

import numpy as np
import pytest
import sound_server

from drumtune.audio import read_recording, write_wav

SAME = 1.0
"""Cents: what issue and documents promise between the round that was heard and the file it was played from."""


def _recorders(env):
    """How many programs the sound server records for at present."""
    told = subprocess.run(
        ["pactl", "list", "short", "source-outputs"], env=env, capture_output=True, text=True, check=True
    )
    return len(told.stdout.splitlines())


def _wait_for(true, seconds=120.0):
    """Wait until something is true, or fail."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "the terminal never began to listen"
        time.sleep(0.1)


@pytest.mark.skipif(sound_server.missing(), reason=sound_server.MISSING)
def test_a_round_heard_at_the_terminal_ends_with_the_pulls_of_the_file(tmp_path, data_takes, command):
    take = read_recording(data_takes / "take01.flac")
    whole = np.concatenate((np.zeros(24000), take.samples, np.zeros(round(2.5 * take.sample_rate))))
    whole = np.interp(np.arange(0, whole.size, take.sample_rate / 44100), np.arange(whole.size), whole)
    played = tmp_path / "take.wav"
    write_wav(played, whole + 1e-5 * np.random.default_rng(1).standard_normal(whole.size), 44100)
    log = tmp_path / "log.sqlite3"
    sizes = ["--diameter-in", 10, "--rods", 6, "--film-mil", 7.5]
    assert command("stand", "new", "lab", "--depth-in", 9, *sizes, "--log", log)[0] == 0
    words = [sys.executable, "-c", "from drumtune.cli import main; main()", "listen", "--drum", "lab", "--once",
             "--json", "--device", "pulse", "--log", str(log)]  # fmt: skip
    with sound_server.running() as env:
        _wait_for(lambda: _recorders(env) == 1)  # the sound server's own reader
        with subprocess.Popen(words, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as heard:
            try:
                _wait_for(lambda: _recorders(env) == 2 or heard.poll() is not None)
                time.sleep(1.0)  # the first blocks of a fresh stream are thrown away
                subprocess.run(["paplay", "-d", "lab", str(played)], env=env, check=True)
                out, err = heard.communicate(timeout=180)
            finally:
                heard.kill()
    assert heard.returncode == 0, err
    live = [rod["pull_cents"] for rod in json.loads(out)["rods"]]
    status, printed, _ = command("even", played, *sizes, "--taps-per-rod", 3, "--json")
    assert status == 0
    file = [rod["pull_cents"] for rod in json.loads(printed)["rods"]]
    assert np.abs(np.subtract(live, file)).max() < SAME
