"""The microphone against a stand-in for PortAudio: overruns, lost frames, devices that go, names that do not fit.

Overflow cannot be made on a sound server, which queues, so it is put in here.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from drumtune import live


class PortAudioError(Exception):
    pass


class Sound:
    """What python-sounddevice shows of PortAudio, as far as it is used."""

    PortAudioError = PortAudioError
    default = SimpleNamespace(device=[1, 1])

    def __init__(self, names=("speaker", "built-in", "stage left")):
        self.names, self.opened = names, []

    def query_devices(self):
        return [{"name": name, "max_input_channels": 0 if name == "speaker" else 2, "default_samplerate": 48000.0}
                for name in self.names]  # fmt: skip

    def InputStream(self, **how):
        if how["device"] == 2:
            raise PortAudioError("Device\nunavailable")
        self.opened.append(how)
        return SimpleNamespace(start=lambda: None, close=lambda: None)


DEVICE = live.Device(1, "built-in", 2, 48000.0)


def hearing(sound, clock):
    microphone = live.Microphone(DEVICE, clock, sound)
    microphone.__enter__()
    return microphone, sound.opened[-1]["callback"]


def blocks(frames=480, value=0.5):
    return np.full((frames, 2), value, np.float32)


FINE, OVER = SimpleNamespace(input_overflow=False), SimpleNamespace(input_overflow=True)


def test_devices_are_listed_and_chosen_by_number_name_or_habit():
    sound = Sound()
    assert [one.name for one in live.devices(sound)] == ["built-in", "stage left"]
    assert live.chosen(None, sound).name == "built-in"
    assert live.chosen("LEFT", sound).number == 2
    assert live.chosen("2", sound).name == "stage left"


@pytest.mark.parametrize(
    ("wanted", "word"), [("cellar", "no microphone is 'cellar'"), ("t", "more than one"), ("0", "no microphone")]
)
def test_a_name_that_fits_none_or_several_lists_what_there_is(wanted, word):
    with pytest.raises(live.DeviceError, match=word):
        live.chosen(wanted, Sound())
    with pytest.raises(live.DeviceError, match="no microphone was found"):
        live.chosen(None, Sound(("speaker",)))


def test_the_callback_only_queues_and_blocks_come_out_in_order():
    microphone, hear = hearing(Sound(), lambda: 0.0)
    data = blocks()
    hear(data, 480, None, FINE)
    data[:] = 9.0  # PortAudio uses its buffer again
    hear(blocks(value=0.25), 480, None, FINE)
    found = microphone.blocks()
    first, second = next(found), next(found)
    assert (first.samples[0], second.samples[0], first.lost, second.lost) == (0.5, 0.25, 0, 0)


def test_an_overflow_told_by_the_driver_counts_as_lost_sound():
    microphone, hear = hearing(Sound(), lambda: 0.0)
    hear(blocks(), 480, None, OVER)
    assert next(microphone.blocks()).lost >= live.BLOCK


def test_frames_that_lag_behind_the_clock_count_as_lost_though_no_flag_says_so():
    times = iter([0.0, 0.0, 2.0])
    microphone, hear = hearing(Sound(), lambda: next(times))
    found = microphone.blocks()
    hear(blocks(), 480, None, FINE)
    assert next(found).lost == 0
    hear(blocks(), 480, None, FINE)
    assert next(found).lost == 2 * 48000 - 960


def test_blocks_beyond_what_may_wait_are_counted_as_lost():
    microphone, hear = hearing(Sound(), lambda: 0.0)
    for _ in range(live.MOST_WAITING + 3):
        hear(blocks(4), 4, None, FINE)
    assert next(microphone.blocks()).lost == 12


def test_a_device_that_goes_away_is_said():
    sound = Sound()
    microphone, _ = hearing(sound, lambda: 0.0)
    sound.opened[-1]["finished_callback"]()
    with pytest.raises(live.DeviceError, match="went away: plug it in again; the round is kept"):
        next(microphone.blocks())
    times = iter([0.0, 10.0])
    microphone, _ = hearing(Sound(), lambda: next(times))
    with pytest.raises(live.DeviceError, match="went away"):
        next(microphone.blocks())


def test_a_device_that_came_back_is_known_by_its_name_though_its_number_changed():
    sound = Sound()
    sound.fresh = ("stage left", "speaker", "built-in")  # what there is when PortAudio starts anew
    sound._terminate = lambda: None
    sound._initialize = lambda: setattr(sound, "names", sound.fresh)
    assert live.again(DEVICE, sound) == live.Device(2, "built-in", 2, 48000.0)
    sound.fresh = ("speaker",)
    assert live.again(DEVICE, sound) == DEVICE  # not there yet: the old one is tried again


def test_a_device_that_opens_but_does_not_start_is_closed_again():
    sound, closed = Sound(), []

    def start():
        raise PortAudioError("Device busy")

    sound.InputStream = lambda **how: SimpleNamespace(start=start, close=lambda: closed.append(True))
    with pytest.raises(live.DeviceError, match="cannot be opened: Device busy"):
        live.Microphone(DEVICE, lambda: 0.0, sound).__enter__()
    assert closed == [True]


def test_a_device_that_cannot_be_opened_and_a_channel_it_has_not_are_said_in_one_line():
    with pytest.raises(live.DeviceError, match="stage left cannot be opened: Device unavailable"):
        live.Microphone(live.Device(2, "stage left", 2, 48000.0), lambda: 0.0, Sound()).__enter__()
    with pytest.raises(live.DeviceError, match="no channel 3"):
        live.Microphone(DEVICE, lambda: 0.0, Sound(), channel=3)


def test_that_there_is_no_microphone_is_said_where_they_are_listed(command, monkeypatch):
    monkeypatch.setattr(live, "devices", lambda sound=None: ())
    assert command("listen", "--devices") == (
        0, "no microphone was found: plug one in, or use drumtune serve on a phone\n", ""
    )  # fmt: skip
