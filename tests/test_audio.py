"""Files in and out: real files written by libsndfile and FFmpeg; the bad ones are made by bad_files."""

import tracemalloc

import av
import numpy as np
import pytest
import soundfile
from bad_files import make, ring
from hypothesis import given, settings
from hypothesis import strategies as st

from drumtune.audio import read_recording, read_take, write_wav
from drumtune.decode import blocks, describe
from drumtune.errors import AudioError, DrumtuneError
from drumtune.source import natural_key

RATE = 48000


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    return make(tmp_path_factory.mktemp("bad"))


def names_of_corpus():
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        return sorted(make(folder))


@pytest.mark.parametrize("name", names_of_corpus())
def test_a_bad_file_is_refused_in_one_line_that_says_why_and_what_to_do(corpus, name):
    path, words = corpus[name]
    with pytest.raises(AudioError, match=words) as failure:
        read_take([path])
    message = str(failure.value)
    assert "\n" not in message
    assert message.isprintable()
    assert ": " in message.split(": ", 1)[1], "says what to do after what was wrong"


def test_an_unreadable_file_is_refused(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "a.wav", ring(), RATE)
    monkeypatch.setattr("os.access", lambda *_: False)  # the tests may run as root, who may read anything
    with pytest.raises(AudioError, match="may not read"):
        read_recording(tmp_path / "a.wav")


@pytest.mark.parametrize(
    ("kind", "subtype", "error"),
    [
        ("WAV", "PCM_U8", 2**-7), ("WAV", "PCM_16", 2**-15), ("WAV", "PCM_24", 2**-23), ("WAV", "PCM_32", 2**-30),
        ("WAV", "FLOAT", 2**-24), ("WAV", "DOUBLE", 0.0), ("FLAC", "PCM_16", 2**-15), ("FLAC", "PCM_24", 2**-23),
        ("AIFF", "PCM_16", 2**-15), ("CAF", "PCM_24", 2**-23), ("W64", "PCM_16", 2**-15), ("AU", "PCM_16", 2**-15),
    ],
)  # fmt: skip
def test_samples_come_back_to_within_a_step_of_the_format(tmp_path, kind, subtype, error):
    soundfile.write(tmp_path / "a", ring(), RATE, format=kind, subtype=subtype)
    take = read_recording(tmp_path / "a")
    assert np.abs(take.samples - ring()).max() <= error
    assert (take.sample_rate, take.channel, take.channels, take.warnings) == (RATE, 1, 1, ())
    assert take.parts == ((0, ring().size),)


@pytest.mark.parametrize(("kind", "subtype"), [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III"), ("OGG", "OPUS")])
def test_lossy_files_sound_alike(tmp_path, kind, subtype):
    soundfile.write(tmp_path / "a", ring(), RATE, format=kind, subtype=subtype)
    assert_alike(read_recording(tmp_path / "a").samples)


@pytest.mark.parametrize(
    ("ending", "codec"), [("m4a", "aac"), ("mov", "aac"), ("aac", "aac"), ("webm", "libopus"), ("m4a", "alac")]
)
def test_what_phones_record_is_read(tmp_path, ending, codec):
    path = tmp_path / f"a.{ending}"
    with av.open(str(path), "w") as box:
        stream = box.add_stream(codec, rate=RATE, layout="mono")
        kind = "s16p" if codec == "alac" else stream.format.name
        scale = (lambda x: np.round(32767 * x).astype(np.int16)) if kind == "s16p" else np.float32
        if kind not in ("s16p", "fltp"):
            kind = "flt"
        frame = av.AudioFrame.from_ndarray(scale(ring())[None], format=kind, layout="mono")
        frame.rate, frame.pts = RATE, 0
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            box.mux(packet)
    assert describe(path).reader == "av"
    assert_alike(read_recording(path).samples)


def assert_alike(samples):
    """Same sound up to a codec's delay: correlation over 0.97 at the best of 4096 shifts."""
    size = samples.size + ring().size
    product = np.fft.rfft(samples, size) * np.conj(np.fft.rfft(ring(), size))
    best = np.fft.irfft(product, size)[:4096].max()
    assert best > 0.97 * np.linalg.norm(samples) * np.linalg.norm(ring())


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000, 192000])
def test_every_rate_is_kept(tmp_path, rate):
    soundfile.write(tmp_path / "a.wav", ring(0.5, rate), rate)
    assert read_recording(tmp_path / "a.wav").sample_rate == rate


def test_the_loudest_channel_is_taken_and_channels_of_opposite_sign_do_not_cancel(tmp_path):
    x = ring()
    soundfile.write(tmp_path / "a.wav", np.stack([0.2 * x, -0.9 * x, 0.9 * x / 2], axis=1), RATE, subtype="DOUBLE")
    take = read_recording(tmp_path / "a.wav")
    assert (take.channel, take.channels) == (2, 3)
    np.testing.assert_array_equal(take.samples, -0.9 * x)


def test_an_offset_does_not_make_a_channel_loud(tmp_path):
    x = ring()
    soundfile.write(tmp_path / "a.wav", np.stack([0.9 + 0.0 * x, 0.1 * x], axis=1), RATE, subtype="DOUBLE")
    assert read_recording(tmp_path / "a.wav").channel == 2


def test_the_channel_asked_for_is_taken_and_counted_from_one(tmp_path):
    x = ring()
    soundfile.write(tmp_path / "a.wav", np.stack([0.2 * x, 0.9 * x], axis=1), RATE, subtype="DOUBLE")
    np.testing.assert_array_equal(read_recording(tmp_path / "a.wav", 1).samples, 0.2 * x)
    for missing in (0, 3, -1):
        with pytest.raises(AudioError, match=f"no channel {missing}.*--channel"):
            read_recording(tmp_path / "a.wav", missing)


def test_a_folder_is_read_in_natural_order_with_one_part_per_file(tmp_path):
    for number in (10, 2, 1):
        soundfile.write(tmp_path / f"rod {number}.wav", ring(1.0 + number / 10), RATE)
    (tmp_path / "notes.txt").write_text("heads changed in May")
    take = read_take([tmp_path])
    assert [file.split()[-1] for file in take.files] == ["1.wav", "2.wav", "10.wav"]
    assert [stop - start for start, stop in take.parts] == [52800, 57600, 96000]
    assert take.parts[-1][1] == take.samples.size


def test_files_are_read_in_the_order_given_and_must_be_alike(tmp_path):
    soundfile.write(tmp_path / "b.wav", ring(1.0), RATE)
    soundfile.write(tmp_path / "a.wav", ring(0.5), RATE)
    soundfile.write(tmp_path / "c.wav", ring(0.5, 44100), 44100)
    assert read_take([tmp_path / "b.wav", tmp_path / "a.wav"]).parts == ((0, 48000), (48000, 72000))
    with pytest.raises(AudioError, match=r"c\.wav: 44100 Hz.*48000 Hz"):
        read_take([tmp_path / "a.wav", tmp_path / "c.wav"])
    with pytest.raises(AudioError, match="no recording given"):
        read_take([])


@given(st.lists(st.text(), min_size=2, max_size=5))
def test_natural_order_is_an_order_for_any_names(names):
    forth, back = (sorted(x, key=natural_key) for x in (names, names[::-1]))
    assert [natural_key(n) for n in forth] == [natural_key(n) for n in back]
    assert sorted(forth) == sorted(names)


def test_a_crashed_recorders_header_without_lengths_is_read_for_what_is_there(tmp_path):
    from bad_files import wav, wav_header

    (tmp_path / "a.wav").write_bytes(wav_header(0, promised=0xFFFFFFFF) + wav(ring())[44:])
    assert read_recording(tmp_path / "a.wav").samples.size == ring().size


def test_an_hour_is_read_in_blocks_of_bounded_memory(tmp_path):
    path = tmp_path / "hour.flac"
    minute = ring(60.0, 8000)
    with soundfile.SoundFile(path, "w", 8000, 1, "PCM_16") as file:
        for _ in range(60):
            file.write(minute)
    describe(path)  # imports the reader
    tracemalloc.start()
    try:
        count = sum(block.shape[0] for block in blocks(path))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == 3600 * 8000
    assert peak < 8_000_000, "an hour of samples would be 230 MB"


@pytest.mark.parametrize("bits", [16, 24])
def test_what_is_written_is_read_back_within_half_a_step(tmp_path, bits):
    write_wav(tmp_path / "out.wav", ring(), RATE, bits)
    assert np.abs(read_recording(tmp_path / "out.wav").samples - ring()).max() <= 0.5001 * 2.0 ** (1 - bits)
    assert [p.name for p in tmp_path.iterdir()] == ["out.wav"]
    assert soundfile.info(tmp_path / "out.wav").subtype == f"PCM_{bits}"


def test_writing_the_same_samples_gives_the_same_bytes(tmp_path):
    write_wav(tmp_path / "a.wav", ring(), RATE)
    write_wav(tmp_path / "b.wav", ring(), RATE)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


@settings(max_examples=25)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=50), st.sampled_from([16, 24]))
def test_any_samples_within_full_scale_can_be_written(tmp_path_factory, values, bits):
    path = tmp_path_factory.mktemp("w") / "a.wav"
    write_wav(path, np.array(values), RATE, bits)
    back = soundfile.read(path)[0]
    assert np.abs(back - values).max() <= 1.0001 * 2.0 ** (1 - bits)


def test_a_failed_write_leaves_nothing_behind_and_the_old_file_whole(tmp_path, monkeypatch):
    write_wav(tmp_path / "a.wav", ring(), RATE)
    before = (tmp_path / "a.wav").read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(soundfile, "write", full_disk)
        with pytest.raises(DrumtuneError, match="No space left"):
            write_wav(tmp_path / "a.wav", 0.5 * ring(), RATE)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]
    assert (tmp_path / "a.wav").read_bytes() == before
    with pytest.raises(DrumtuneError, match=r"cannot write .*choose another place"):
        write_wav(tmp_path / "no" / "a.wav", ring(), RATE)


def full_disk(*_args, **_options):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("samples", [np.array([0.0, 1.5]), np.array([0.0, np.nan])])
def test_samples_beyond_full_scale_are_misuse(tmp_path, samples):
    with pytest.raises(ValueError, match="within full scale"):
        write_wav(tmp_path / "a.wav", samples, RATE)
    with pytest.raises(ValueError, match="16 or 24 bit"):
        write_wav(tmp_path / "a.wav", np.zeros(5), RATE, 8)
