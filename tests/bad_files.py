"""A corpus of files that are no recording of taps: made by `make`, each with the words its refusal must contain.

Formats are written by hand where a library would refuse to write what is wrong with them.
"""

import os
import struct
from pathlib import Path

import numpy as np
import soundfile

RATE = 48000


def ring(seconds=2.0, rate=RATE):
    """Three decaying tones with a little noise: something a reader can read."""
    t = np.arange(round(seconds * rate)) / rate
    noise = 1e-4 * np.random.default_rng(1).standard_normal(t.size)
    return noise + sum(0.4 * np.sin(1200 * (t - s)) * np.exp(-9 * (t - s)) * (t >= s) for s in (0.3, 0.8, 1.3))


def wav_header(data_bytes, channels=1, rate=RATE, bits=16, code=1, promised=None):
    promised = data_bytes if promised is None else promised
    frame = channels * max(1, bits // 8)
    head = struct.pack("<4sI4s4sIHHIIHH", b"RIFF", (36 + promised) & 0xFFFFFFFF, b"WAVE", b"fmt ", 16, code, channels,
                       rate, (rate * frame) & 0xFFFFFFFF, frame & 0xFFFF, bits)  # fmt: skip
    return head + struct.pack("<4sI", b"data", promised & 0xFFFFFFFF)


def wav(samples, **header):
    data = np.round(samples * 32767).astype("<i2").tobytes()
    return wav_header(len(data), **header) + data


def make(folder):
    """Write the corpus into `folder`; return {name: (path, words of the refusal)}."""
    folder = Path(folder)
    corpus = {}
    for name, (content, words) in by_hand().items():
        (folder / name).write_bytes(content)
        corpus[name] = (folder / name, words)
    for name, words in (by_library(folder) | no_files(folder)).items():
        corpus[name] = (folder / name, words)
    corpus["/dev/zero"] = (Path("/dev/zero"), "device, pipe or socket")
    corpus["long name"] = (folder / ("x" * 5000), "cannot be opened|no such file")
    corpus["nul"] = (Path("a\0b.wav"), "cannot be opened|no such file")
    return corpus


def by_hand():
    """Contents no library would write, and the words of their refusal."""
    good = wav(ring())
    return {
        "empty.wav": (b"", "empty"),
        "text named.wav": (b"Dear drummer, this is not a recording.\n" * 50, "not audio"),
        "playlist.m4a": (b"#EXTM3U\n#EXTINF:10,\n/etc/hostname\n#EXT-X-ENDLIST\n", "not audio"),
        "junk.mp3": (np.random.default_rng(2).bytes(3000), "not audio|decoded|no samples|only|silent"),
        "header only.wav": (good[:44], "cut short|no samples|not audio"),
        "half.wav": (good[: len(good) // 2], "cut short"),
        "no samples.wav": (wav_header(0), "no samples"),
        "zero channels.wav": (wav(ring(), channels=0), "not audio|channels"),
        "zero rate.wav": (wav(ring(), rate=0), "not audio|sample rate"),
        "slow.wav": (wav(ring(), rate=4000), "4000 Hz"),
        "fast.wav": (wav(ring(), rate=768000), "768000 Hz"),
        "huge promise.wav": (wav_header(0, promised=0x7FFEFFFE) + good[44:], "cut short|too long"),
        "silence.wav": (wav(np.zeros(2 * RATE)), "silent"),
        "constant.wav": (wav(np.full(2 * RATE, 0.3)), "silent"),
        "click.wav": (wav(ring(0.05)), "50 ms"),
        "ungültig 录音.wav": (b"RIFF????WAVEfmt ", "not audio"),
    }


def by_library(folder):
    """Write files that are well formed but hold the wrong thing, and halves of good ones; name: words."""
    for name, value in (("nan", np.nan), ("infinite", np.inf)):
        broken = ring()
        broken[5000] = value
        soundfile.write(folder / f"{name}.wav", broken, RATE, subtype="FLOAT")
    for kind in ("flac", "aiff"):
        soundfile.write(folder / "whole", ring(), RATE, format=kind)
        whole = (folder / "whole").read_bytes()
        (folder / f"half.{kind}").write_bytes(whole[: len(whole) // 2])
        (folder / f"stub.{kind}").write_bytes(whole[:30])
    (folder / "whole").unlink()
    soundfile.write(folder / "hundred.wav", np.tile(0.1 * ring(0.2)[:, None], (1, 100)), RATE)
    soundfile.write(folder / "hour.flac", np.zeros(3600 * 8000, np.int16), 8000)
    return {
        "nan.wav": "not numbers", "infinite.wav": "not numbers", "half.flac": "cut short|decoded|not audio",
        "half.aiff": "cut short", "stub.flac": "not audio|decoded|no sound", "stub.aiff": "not audio|decoded|no sound",
        "hundred.wav": "100 channels", "hour.flac": "60 minutes is too long",
    }  # fmt: skip


def no_files(folder):
    """Make what is no file; name: words."""
    (folder / "letters").mkdir()
    (folder / "letters" / "note.txt").write_text("nothing to hear")
    os.mkfifo(folder / "pipe.wav")
    return {"letters": "no audio file in this folder", "pipe.wav": "device, pipe or socket", "gone.wav": "no such file"}
