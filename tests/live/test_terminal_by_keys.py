"""The terminal as a player has it: a real screen and keys (a pseudo terminal), sound from a sound server."""

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time

import pytest
import sound_server
from broken_sound import BrokenSoundError, again_if_broken

from drumtune.audio import read_recording
from drumtune.dsp.taps import find_taps

PATIENCE = 120.0
"""Seconds a busy machine may take for anything."""
BROKEN = re.compile("the sound was interrupted|Sound was lost")
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Screen:
    """A program in a pseudo terminal of 100 columns: its last picture, and keys for it."""

    def __init__(self, words, env):
        self.here, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 45, 100, 0, 0))
        self.program = subprocess.Popen(words, env={**env, "TERM": "xterm"}, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        self._text = ""
        self._broken = False
        threading.Thread(target=self._follow, daemon=True).start()

    def _follow(self):
        while True:
            try:
                data = os.read(self.here, 65536)
            except OSError:  # the program has ended
                return
            self._text = (self._text + ESCAPE.sub("", data.decode("utf-8", "replace")))[-40000:]
            self._broken = self._broken or BROKEN.search(self._text) is not None

    @property
    def picture(self):
        """What was drawn last, from the frame's upper edge on."""
        return self._text[self._text.rfind("╭") :]

    def press(self, key):
        os.write(self.here, key.encode())

    def wait(self, pattern, avoid=None):
        """Wait until the picture shows something; meanwhile it must not show what is to be avoided."""
        end = time.monotonic() + PATIENCE
        while not re.search(pattern, self.picture):
            if self._broken and time.monotonic() >= end:
                raise BrokenSoundError
            assert time.monotonic() < end, f"{pattern!r} was never shown: {self._text[-3000:]}"
            assert self.program.poll() is None, self._text[-3000:]
            assert avoid is None or avoid not in self.picture, self.picture
            time.sleep(0.02)

    def end(self):
        self.program.kill()
        self.program.wait(10)
        os.close(self.here)


def due(rod):
    """The rim strip's mark of the rod that is due."""
    return rf">\s+{rod} "


@pytest.fixture
def player(tmp_path, data_takes):
    """Plays a part of the take, from a little before one tap to a second after another (counted from 0)."""
    take = read_recording(data_takes / "take01.flac")
    onsets = [tap.onset for tap in find_taps(take.samples, take.sample_rate).taps]
    playing = []

    def play(env, first, last):
        start, stop = round((onsets[first] - 0.3) * take.sample_rate), round((onsets[last] + 0.95) * take.sample_rate)
        path = tmp_path / f"part{first}.wav"
        sound_server.write_played(path, take.samples[start:stop], take.sample_rate)
        if playing:
            playing.pop().wait()
        playing.append(sound_server.playing(env, path))

    yield play
    for program in playing:
        program.terminate()
        program.wait(10)


def a_round(screen, env, player):
    """Keys before, while and after the head is read."""
    screen.press("s")
    screen.wait(due(2))
    screen.press("a")
    screen.wait(due(1))
    time.sleep(1.0)  # the first blocks of a fresh stream are thrown away
    player(env, 0, 17)
    screen.wait("All taps are in")
    screen.press("b")  # while the head is read
    screen.wait(due(6), avoid="[ ] 1.")
    player(env, 15, 17)
    screen.wait(r"\[ \] 1\. rod \d: (raise|lower)")
    screen.press("1")
    screen.wait(r"\[x\] 1\.")
    screen.press("n")
    screen.wait(due(1))


def unplugged(screen, env, player, plugged):
    """The microphone goes away in the middle of a round, and comes back."""
    player(env, 0, 2)
    screen.wait(due(2))
    time.sleep(1.5)  # the last tap rings out; cut off, it would be asked for again
    sound_server.unplug(env, plugged)
    screen.wait("went away: plug it in again")
    screen.press("s")  # answered without a microphone too
    screen.wait(due(3))
    sound_server.plug(env)
    sound_server.wait_for(lambda: sound_server.recorders(env) >= 1)
    time.sleep(3.0)  # without a reader the first block comes late
    player(env, 0, 2)
    screen.wait(due(4))
    assert re.search(r"taps +3/3 +0/3 +3/3 +0/3", screen.picture)  # nothing of the round was lost


@pytest.mark.skipif(sound_server.missing(), reason=sound_server.MISSING)
@again_if_broken
def test_keys_are_answered_while_the_head_is_read_and_an_unplugged_microphone_is_taken_up_again(tmp_path, player):
    words = [sys.executable, "-c", "from drumtune.cli import main; main()", "listen", "--diameter-in", "10",
             "--rods", "6", "--film-mil", "7.5", "--device", "pulse"]  # fmt: skip
    with sound_server.running(sink=False) as env:
        plugged = sound_server.plug(env)
        with sound_server.reading(env):
            screen = Screen(words, env)
            try:
                screen.wait(due(1))
                sound_server.wait_for(lambda: sound_server.recorders(env) == 2)
                a_round(screen, env, player)
                unplugged(screen, env, player, plugged)
                screen.press("q")
                assert screen.program.wait(PATIENCE) == 0
            finally:
                screen.end()
