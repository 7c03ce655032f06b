"""Files that no command should stumble over: damaged, lying, endless, of every width, strangely named, or no audio.

`audio` writes recordings, `texts` what stand, kit, log and JSON doors may be given; each returns {name: path}. What is
only refused, with the words of the refusal, is in tests/bad_files.py.
"""

import io
import json
import os
import struct

import av
import numpy as np
import soundfile
from bad_files import RATE, make, ring, wav, wav_header

HOURS = 3 * 3600


def audio(folder):
    """All recordings, the corpus of bad_files among them."""
    (folder / "refused").mkdir()
    corpus = {name: path for name, (path, _) in make(folder / "refused").items() if name != "nul"}
    for part in (cut_short(), widths(), lies(), sounds(folder)):
        for name, content in part.items():
            (folder / name).write_bytes(content)
            corpus[name] = folder / name
    return corpus | long_ones(folder)


def encoded(samples=None, **settings):
    """Bytes of a file that soundfile writes, WAV unless told."""
    out = io.BytesIO()
    soundfile.write(out, ring() if samples is None else samples, RATE, **({"format": "WAV"} | settings))
    return out.getvalue()


def m4a(samples=None, codec="aac"):
    """Bytes of what a phone records."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as box:
        stream = box.add_stream(codec, rate=RATE, layout="mono")
        data = (ring() if samples is None else samples).astype(np.float32)[None]
        frame = av.AudioFrame.from_ndarray(data, format="fltp", layout="mono")
        frame.rate, frame.pts = RATE, 0
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            box.mux(packet)
    return out.getvalue()


def whole():
    """One good file of each format, by its ending."""
    made = {
        kind: encoded(format=kind.upper(), subtype=subtype)
        for kind, subtype in {
            "wav": "PCM_16",
            "flac": "PCM_16",
            "aiff": "PCM_24",
            "ogg": "VORBIS",
            "mp3": "MPEG_LAYER_III",
            "w64": "PCM_16",
            "caf": "PCM_16",
            "au": "PCM_16",
        }.items()
    }
    return made | {"m4a": m4a()}


def cut_short():
    """Every format, cut in its header and later."""
    return {
        f"cut at {place}.{kind}": content[:place]
        for kind, content in whole().items()
        for place in (1, 4, 11, 20, 40, 60, 200, len(content) * 2 // 3)
    }


def widths():
    """WAV of widths from one bit up, in every coding a header can name: most are nonsense, some are good."""
    data = encoded(subtype="PCM_16")[44:]
    found = {}
    for code in (0, 1, 2, 3, 6, 7, 17, 49, 85, 0xFFFE, 0xFFFF):
        for bits in (0, 1, 2, 3, 4, 7, 8, 12, 16, 20, 24, 32, 48, 64, 65535):
            if code in (1, 3) or bits in (0, 1, 4, 16):
                found[f"code {code} of {bits} bits.wav"] = wav_header(len(data), bits=bits, code=code) + data
    return found


def lies():
    """Headers whose numbers do not fit each other or the file."""
    good, data = wav(ring()), wav(ring())[44:]
    flac, aiff = encoded(format="FLAC"), encoded(format="AIFF", subtype="PCM_16")
    return {
        "riff of no length.wav": good[:4] + bytes(4) + good[8:],
        "riff too long.wav": good[:4] + b"\xff\xff\xff\x7f" + good[8:],
        "data of no length.wav": good[:40] + bytes(4) + good[44:],
        "data of all ones.wav": good[:40] + b"\xff" * 4 + good[44:],
        "format chunk of no length.wav": good[:16] + bytes(4) + good[20:],
        "format chunk too long.wav": good[:16] + b"\xff\xff\xff\x7f" + good[20:],
        "format twice.wav": good[:36] + good[12:36] + good[36:],
        "data before format.wav": good[:12] + good[36:] + good[12:36],
        "odd chunk.wav": good[:12] + struct.pack("<4sI", b"note", 3) + b"abc\0" + good[12:],
        "endless chunks.wav": good[:36] + struct.pack("<4sI", b"note", 0) * 200_000 + good[36:],
        "zeros after riff.wav": good[:36] + bytes(2_000_000),
        "65535 channels.wav": wav_header(len(data), channels=65535) + data,
        "rate of all ones.wav": wav_header(len(data), rate=0xFFFFFFFF) + data,
        "rate of 1.wav": wav_header(len(data), rate=1) + data,
        "bytes swapped.wav": b"RIFX" + good[4:],
        "endless promise.flac": flac[:21] + b"\x00\x0f\xff\xff\xff\xff"[:5] + flac[26:],
        "bits of 32.flac": flac[:20] + b"\xff" + flac[21:],
        "rate of nan.aiff": aiff.replace(aiff[28:38], b"\x7f\xff" + b"\xff" * 8, 1),
        "rate of minus one.aiff": aiff.replace(aiff[28:38], b"\xbf\xff\x80" + bytes(7), 1),
        "many frames.aiff": aiff[:22] + b"\xff\xff\xff\xff" + aiff[26:],
        "atoms in atoms.m4a": b"".join(struct.pack(">I4s", 8 * (500 - k), b"moov") for k in range(500)),
        "atom of all ones.m4a": m4a().replace(b"stsz", b"stsz\0\0\0\0\0\0\0\0\x7f\xff\xff\xff", 1),
        "playlist in audio.mp3": b"#EXTM3U\nhttp://127.0.0.1:9/\n",
        "script.m3u8": b"ffconcat version 1.0\nfile /etc/passwd\n",
        "zip.wav": b"PK\x03\x04" + bytes(500),
        "picture.wav": b"\x89PNG\r\n\x1a\n" + bytes(500),
        "id3 of no end.mp3": b"ID3\x04\x00\x00\x7f\x7f\x7f\x7f" + bytes(2000),
    }


def sounds(folder):
    """Samples beyond the usual: good files of every width, and what floats can hold that is no sound."""
    good = {
        f"good {subtype}.wav": encoded(subtype=subtype)
        for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW")
    }
    bytes_of = {"flac": "PCM_24", "aiff": "PCM_S8", "ogg": "OPUS"}
    good |= {f"good.{kind}": encoded(format=kind.upper(), subtype=subtype) for kind, subtype in bytes_of.items()}
    slow = io.BytesIO()
    soundfile.write(slow, ring(2.0, 8000), 8000, format="WAV")
    high = np.where(np.arange(RATE) == 5000, 1.7e308, ring(1.0))
    return good | {
        "good 8 kHz.wav": slow.getvalue(),
        "denormals.wav": encoded(1e-310 * ring(), subtype="DOUBLE"),
        "small.wav": encoded(1e-40 * ring(), subtype="FLOAT"),
        "loud.wav": encoded(1e30 * ring(), subtype="DOUBLE"),
        "largest.wav": encoded(high, subtype="DOUBLE"),
        "only nan.wav": encoded(np.full(RATE, np.nan), subtype="DOUBLE"),
        "minus infinite.wav": encoded(np.where(ring() > 0.3, -np.inf, ring()), subtype="FLOAT"),
        "sixty-four channels.wav": encoded(np.tile(0.1 * ring(0.3)[:, None], (1, 64))),
        "one sample.wav": encoded(np.array([0.5])),
        "alternating.wav": encoded(0.9 * (-1.0) ** np.arange(RATE)),
        "square.wav": encoded(np.sign(np.sin(2 * np.pi * 100 * np.arange(2 * RATE) / RATE)) * 0.99),
        "with  spaces .wav": wav(ring()),
        "naïve Überschall 太鼓 🥁.wav": wav(ring()),
        "two\nlines\t\x1b[31m.wav": wav(ring()),
        "--help.wav": wav(ring()),
        os.fsdecode(b"no \xff utf \xfe8.wav"): wav(ring()),
    }


def long_ones(folder):
    """Files of three hours and more, sparse on the disk."""
    found = {}
    for name, rate, channels, promised in (
        ("3 hours.wav", 48000, 1, HOURS * 96000),
        ("3 hours, no promise.wav", 48000, 1, 0),
        ("3 hours, all ones.wav", 48000, 1, 0xFFFFFFFF),
        ("3 hours of 64 channels.wav", 8000, 64, 0xFFFFFFFF),
    ):
        path = folder / name
        path.write_bytes(wav_header(0, channels=channels, rate=rate, promised=promised))
        os.truncate(path, 44 + HOURS * rate * channels * 2)
        found[name] = path
    for name, start in (
        ("3 hours of zeros.mp3", whole()["mp3"]),
        ("3 hours of zeros.aac", b"\xff\xf1" + bytes(5)),
        ("3 hours of zeros.raw", b""),
    ):
        path = folder / name
        path.write_bytes(start)
        os.truncate(path, 500_000_000)
        found[name] = path
    return found


def nested(left, right, deep=100_000):
    return left * deep + right * deep


def texts(folder):
    """What may be handed to a door for TOML, JSON, CSV or SQLite."""
    huge = "9" * 5000
    drum = '[[drum]]\nname = "a"\ndiameter_in = {}\ndepth_in = 8\nrods = 6\ntop = {{ film_mil = 10 }}\n'
    room = {"response": {"start_hz": 20.0, "step_hz": 1.0, "gain_db": [0.0] * 300}}
    content = {
        "empty.txt": "",
        "spaces.toml": "   \n\n",
        "no toml.toml": "[drum\n",
        "nested.toml": "a = " + nested("[", "]", 2000),
        "tables.toml": "[" + ".".join("a" * 3000) + "]\n",
        "huge number.toml": drum.format(huge),
        "huge hex.toml": drum.format("0x" + "f" * 6000),
        "hex rods.toml": drum.format("12").replace("rods = 6", "rods = 0x" + "f" * 6000),
        "infinite.toml": drum.format("inf"),
        "nan.toml": drum.format("nan"),
        "date.toml": drum.format("1979-05-27T07:32:00Z"),
        "role.toml": drum.format("12") + "role = { a = [" + "1," * 500 + "] }\n",
        "control.toml": drum.format("12").replace('"a"', '"a\\u0007\\nb"'),
        "one drum.toml": drum.format("12").replace("[[drum]]", "[drum]"),
        "nested.json": nested("[", "]"),
        "nested objects.json": '{"a":' * 100_000,
        "huge number.json": f'{{"modes": {huge}, "response": {huge}}}',
        "array.json": "[1, 2]",
        "number.json": "3",
        "null.json": "null",
        "nan.json": json.dumps(room).replace("20.0", "NaN"),
        "infinite.json": json.dumps(room).replace("1.0", "Infinity", 1),
        "too large.json": json.dumps(room).replace("20.0", "1e308").replace("1.0", "1e308", 1),
        "large whole.json": json.dumps(room).replace("20.0", "1" + "0" * 400),
        "gain of words.json": json.dumps({"response": {"start_hz": 20, "step_hz": 1, "gain_db": ["a", "b"]}}),
        "gain of gains.json": json.dumps({"response": {"start_hz": 20, "step_hz": 1, "gain_db": [[1], [2]]}}),
        "gain of large.json": json.dumps(room).replace("0.0,", "1" + "0" * 400 + ",", 1),
        "response.json": '{"response": [1, 2]}',
        "modes of nothing.json": '{"modes": [{}]}',
        "modes of zero.json": '{"modes": [{"frequency_hz": 0, "decay_s": 0, "m": 1, "n": 1}]}',
        "modes of minus.json": '{"modes": [{"frequency_hz": -1e9, "decay_s": -1, "m": 1, "n": 1}]}',
        "modes of nan.json": '{"modes": [{"frequency_hz": NaN, "decay_s": Infinity, "m": 1, "n": 1}]}',
        "modes of large.json": '{"modes": [{"frequency_hz": 1' + "0" * 400 + ', "decay_s": 1, "m": 1, "n": 1}]}',
        "no modes.json": '{"modes": []}',
        "surrogate.json": '{"format": "drumtune log", "tables": {"\\ud800": []}}',
        "log of nothing.json": '{"format": "drumtune log", "version": 1, "tables": {}}',
        "log of words.json": '{"format": "drumtune log", "version": 1, "tables": "takes"}',
    }
    found = {}
    for name, text in content.items():
        found[name] = folder / name
        found[name].write_text(text, encoding="utf-8")
    for name, data in {
        "bytes.toml": bytes(range(256)) * 50,
        "utf-16.toml": "[drum]\nname = 'a'\n".encode("utf-16"),
        "magic only.sqlite3": b"SQLite format 3\x00",
        "half.sqlite3": b"SQLite format 3\x00" + bytes(84) + b"rest" * 50,
    }.items():
        found[name] = folder / name
        found[name].write_bytes(data)
    os.truncate(folder / "empty.txt", 0)
    sparse = folder / "3 gigabytes.json"
    sparse.write_text("{")
    os.truncate(sparse, 3_000_000_000)
    found[sparse.name] = sparse
    return found | no_files(folder)


def no_files(folder):
    """What is no plain file: a folder, a FIFO, a device, a name too long, a loop of links, nothing."""
    (folder / "folder.toml").mkdir()
    os.mkfifo(folder / "pipe.json")
    (folder / "loop.toml").symlink_to(folder / "loop.toml")
    (folder / "nowhere.toml").symlink_to(folder / "gone.toml")
    found = {name: folder / name for name in ("folder.toml", "pipe.json", "loop.toml", "nowhere.toml", "none.toml")}
    return found | {
        "/dev/zero": type(folder)("/dev/zero"),
        "long name": folder / ("x" * 5000),
        "file as folder": folder / "null.json" / "a.toml",
    }
