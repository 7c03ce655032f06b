"""The command as a process of its own: memory by the system's own count, signals, full disks, closed pipes, rights.

Each start costs a second, so these are few; tests/robust/test_bad_input_at_every_door.py has the many.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

COMMAND = str(Path(sys.executable).with_name("drumtune"))
STAND = ("--diameter-in", "12", "--rods", "6", "--taps-per-rod", "2")
MEASURED = """
from drumtune.cli import main
try:
    main()
finally:
    print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""
"""The command, then the most memory it had in kB."""
GENEROUS = 300
"""Seconds after which a process hangs."""


def run(*words, **settings):
    """Status, stdout, stderr (bytes)."""
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "timeout": GENEROUS} | settings
    done = subprocess.run([COMMAND, *map(str, words)], check=False, **given)
    return done.returncode, done.stdout, done.stderr


def one_line(told):
    return told.startswith(b"drumtune: ") and told.endswith(b"\n") and told.count(b"\n") == 1


@pytest.mark.parametrize(
    "name",
    ["3 hours.wav", "3 hours, all ones.wav", "3 hours of 64 channels.wav", "3 hours of zeros.aac", "huge promise.wav"],
)
def test_what_is_refused_for_its_length_was_not_loaded(recordings, name):
    """Peak resident memory of the process itself, kB: 100 MB are the libraries, the sound would be 1 to 8 GB.

    Linux's VmHWM, because ru_maxrss of a child begins with what its parent had.
    """
    words = [sys.executable, "-c", MEASURED, "even", str(recordings[0][name]), *STAND]
    done = subprocess.run(words, capture_output=True, check=False, timeout=GENEROUS)
    assert (done.returncode, one_line(done.stderr)) == (2, True), done.stderr
    assert 10_000 < int(done.stdout) < 250_000


def heard_again():
    """Take interrupts as a terminal gives them: what a shell starts in the background is told to ignore them."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def test_an_interrupt_in_the_middle_of_the_work_is_told(good):
    child = subprocess.Popen([COMMAND, "lesson", "--out", "never"], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                             cwd=good["taps"].parent, preexec_fn=heard_again)  # fmt: skip
    maps = Path(f"/proc/{child.pid}/maps")
    deadline = time.monotonic() + GENEROUS
    while time.monotonic() < deadline and child.poll() is None and "matplotlib" not in maps.read_text():
        pass  # the work has begun when the libraries of the pictures are there
    child.send_signal(signal.SIGINT)
    told = child.communicate(timeout=GENEROUS)[1]
    assert (child.returncode, told) == (2, b"drumtune: stopped\n")


def test_a_full_disk_under_stdout_is_one_line():
    with open("/dev/full", "wb") as full:
        status, _, told = run("pair", "--diameter-in", 12, "--depth-in", 8, "--top-hz", 150, stdout=full)
    assert status == 2
    assert one_line(told)
    assert b"No space left" in told


def test_a_reader_that_goes_away_is_no_traceback():
    reading, writing = os.pipe()
    os.close(reading)
    try:
        status, _, told = run("pair", "--diameter-in", 12, "--depth-in", 8, "--top-hz", 150, "--json", stdout=writing)
    finally:
        os.close(writing)
    assert status == 2
    assert told == b"" or one_line(told)


def test_letters_that_stdout_does_not_bear_are_escaped():
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    words = ("pair", "--top-blocked-hz", 227, "--bottom-blocked-hz", 299, "--coupling-hz", 181)
    status, out, told = run(*words, "--json", env=environment)
    assert (status, told) == (0, b"")
    assert json.loads(out.decode("ascii"))["offsets"]
