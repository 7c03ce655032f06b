"""A private PulseAudio server with a null sink whose monitor is the microphone; no sound card is needed."""

import os
import shutil
import subprocess
import tempfile
import time
from contextlib import contextmanager, nullcontext

import numpy as np

from drumtune.audio import write_wav

MISSING = "no sound server: needs pulseaudio, pulseaudio-utils, libasound2-plugins, libportaudio2"
RATE = 44100


def missing():
    if not (shutil.which("pulseaudio") and shutil.which("pactl") and shutil.which("paplay") and shutil.which("parec")):
        return True
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError):
        return True
    return False


def plug(env):
    """Load the null sink, make its monitor the microphone; what unplugs it again."""
    words = ["load-module", "module-null-sink", "sink_name=lab", f"rate={RATE}", "channels=1", "format=float32le"]
    number = subprocess.run(["pactl", *words], env=env, check=True, capture_output=True, text=True).stdout.strip()
    subprocess.run(["pactl", "set-default-source", "lab.monitor"], env=env, check=True)
    return number


def unplug(env, number):
    """Take the null sink away: whoever records from it loses it."""
    subprocess.run(["pactl", "unload-module", number], env=env, check=True)


def write_played(path, samples, rate):
    """Write a take to be played: at the server's rate, in its own quiet, faded in: a start sounds like a stroke."""
    quiet = np.concatenate((samples[: round(0.25 * rate)], samples[: round(0.25 * rate)][::-1]))
    before = np.tile(quiet, 3) * np.minimum(np.arange(3 * quiet.size) / (2 * quiet.size), 1.0)
    whole = np.concatenate((before, samples, np.tile(quiet, 5)))
    whole = np.interp(np.arange(0, whole.size, rate / RATE), np.arange(whole.size), whole)
    write_wav(path, whole, RATE)


def playing(env, path):
    """Play a recording, with so much in hand that a busy machine does not tear it."""
    return subprocess.Popen(["paplay", "--latency-msec=2000", "-d", "lab", str(path)], env=env)


@contextmanager
def reading(env):
    """A reader of the microphone; without one the first block of a recording comes one or two seconds late."""
    recorder = ["parec", "-d", "lab.monitor", "--latency-msec=5"]
    reader = subprocess.Popen(recorder, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        reader.terminate()
        reader.wait(10)


def wait_for(true, seconds=120.0):
    """Wait until something is true, or fail."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.1)


def recorders(env):
    """How many programs the sound server records for at present."""
    told = subprocess.run(
        ["pactl", "list", "short", "source-outputs"], env=env, capture_output=True, text=True, check=True
    )
    return len(told.stdout.splitlines())


@contextmanager
def running(*, sink=True):
    """The environment in which programs find the server; `sink` says whether there is a microphone with a reader."""
    folder = tempfile.mkdtemp(prefix="sound-")
    env = {**os.environ, "XDG_RUNTIME_DIR": folder, "PULSE_RUNTIME_PATH": f"{folder}/pulse", "HOME": folder}
    server = subprocess.Popen(
        ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--log-target=null", "-L",
         "module-native-protocol-unix"],
        env=env, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for _ in range(100):
            if subprocess.run(["pactl", "info"], env=env, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)
        else:
            raise RuntimeError("the sound server did not start")
        if sink:
            plug(env)
        with reading(env) if sink else nullcontext():
            yield env
    finally:
        server.terminate()
        server.wait(10)
        shutil.rmtree(folder, ignore_errors=True)
