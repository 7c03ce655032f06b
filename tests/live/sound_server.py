"""A private PulseAudio server with a null sink whose monitor is the microphone; no sound card is needed."""

import os
import shutil
import subprocess
import tempfile
import time
from contextlib import contextmanager

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


@contextmanager
def running():
    """The environment in which programs find the server."""
    folder = tempfile.mkdtemp(prefix="sound-")
    env = {**os.environ, "XDG_RUNTIME_DIR": folder, "PULSE_RUNTIME_PATH": f"{folder}/pulse", "HOME": folder}
    server = subprocess.Popen(
        ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--log-target=null", "-L",
         "module-native-protocol-unix", "-L",
         f"module-null-sink sink_name=lab rate={RATE} channels=1 format=float32le"],
        env=env, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    reader = None
    try:
        for _ in range(100):
            if subprocess.run(["pactl", "info"], env=env, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)
        else:
            raise RuntimeError("the sound server did not start")
        subprocess.run(["pactl", "set-default-source", "lab.monitor"], env=env, check=True)
        # Without a reader the first block of a recording comes one or two seconds late.
        recorder = ["parec", "-d", "lab.monitor", "--latency-msec=5"]
        reader = subprocess.Popen(recorder, env=env, stdout=subprocess.DEVNULL)
        yield env
    finally:
        for process in (reader, server):
            if process is not None:
                process.terminate()
                process.wait(10)
        shutil.rmtree(folder, ignore_errors=True)
