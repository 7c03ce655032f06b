"""The page in a real browser: headless Chromium hears a take through its fake microphone, by keyboard alone."""

import base64
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from broken_sound import again_if_broken, kept_round, raise_if_broken, raise_if_not_whole

from drumtune.audio import read_recording, write_wav

TAKE = Path(__file__).parents[1] / "data" / "taps" / "take01.flac"
SIZES = ["--diameter-in", "10", "--rods", "6", "--film-mil", "7.5"]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--use-fake-ui-for-media-stream",
         "--use-fake-device-for-media-stream"]  # fmt: skip
RATE = 44100
SAME = 1.0
"""Cents, as promised."""
PATIENCE = 240_000
"""Milliseconds a busy machine may take for a reading."""

playwright = pytest.importorskip("playwright.sync_api", reason="chromium is not driven here: playwright is missing")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


def drumtune(*words):
    return [sys.executable, "-c", "from drumtune.cli import main; main()", *map(str, words)]


@pytest.fixture(scope="module")
def microphone(tmp_path_factory):
    """A take as Chromium's fake microphone wants it: 16 bit, 44.1 kHz, quiet before and after."""
    take = read_recording(TAKE)
    whole = np.concatenate((np.zeros(48000), take.samples, np.zeros(round(3 * take.sample_rate))))
    whole = np.interp(np.arange(0, whole.size, take.sample_rate / RATE), np.arange(whole.size), whole)
    path = tmp_path_factory.mktemp("microphone") / "take.wav"
    write_wav(path, whole + 1e-4 * np.random.default_rng(0).standard_normal(whole.size), RATE, 16)
    return path


class Server:
    """The server as a program of its own, that can be killed and started again at the same address."""

    def __init__(self, log):
        self.log, self.port = log, 0
        self.start()

    def start(self):
        words = drumtune("serve", "--port", self.port, "--log", self.log)
        self.program = subprocess.Popen(words, stdout=subprocess.PIPE, text=True,
                                        env={**os.environ, "PYTHONUNBUFFERED": "1"})  # fmt: skip
        self.watch = threading.Timer(300.0, self.program.kill)
        self.watch.start()
        self.address = self.program.stdout.readline().split()[-1]
        self.port = int(self.address.rstrip("/").rpartition(":")[2])

    def kill(self):
        self.watch.cancel()
        self.program.kill()
        self.program.communicate(timeout=20)

    def stop(self):
        self.watch.cancel()
        self.program.terminate()
        self.program.communicate(timeout=20)


@contextmanager
def served(log):
    """The server, and its address."""
    server = Server(log)
    try:
        yield server.address
    finally:
        server.stop()


@contextmanager
def browser(folder, microphone, **how):
    # No sound server may be reachable: with two clocks the fake device drops samples.
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PULSE", "XDG_RUNTIME"))}
    with playwright.sync_playwright() as play:
        context = play.chromium.launch_persistent_context(
            folder, executable_path=CHROMIUM, headless=True, env=env,
            args=[*FLAGS, f"--use-file-for-fake-audio-capture={microphone}%noloop"], **how,
        )  # fmt: skip
        try:
            yield context
        finally:
            context.close()


def until_moves(page, folder):
    """Wait for the moves of a round that is kept in a folder."""
    late = time.monotonic() + PATIENCE / 1000
    while time.monotonic() < late:
        try:
            return page.wait_for_selector("#moves-part", timeout=2000)
        except playwright.TimeoutError:
            kept = kept_round(folder)
            raise_if_broken(kept)
    raise AssertionError(f"no moves; the round: {kept}, the page: {page.inner_text('body')}")


KEPT_SENT = """
window.sent = new Map(); const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (what) {
  if (what instanceof ArrayBuffer) window.sent.set(Number(new DataView(what).getBigUint64(0, true)), what.slice(8));
  return send.call(this, what); };
"""
"""Keeps the sound the page sent, by its first frame."""
SENT = """() => {
  let text = "";
  for (const [first, data] of window.sent) {
    text += `${first} `;
    const bytes = new Uint8Array(data);
    for (let i = 0; i < bytes.length; i += 3072) text += btoa(String.fromCharCode(...bytes.subarray(i, i + 3072)));
    text += "\\n";
  }
  return text; }"""
"""That sound as text, a block on each line."""


def sent(page):
    """Sound the page sent, as a list of first frames and samples."""
    rows = [line.split() for line in page.evaluate(SENT).splitlines()]
    return [(int(first), np.frombuffer(base64.b64decode(data), "<f4")) for first, data in rows]


def assert_pulls_of_file(page, folder, microphone, command):
    """The round in a folder has the pulls of the file; if not, and the page got other sound than the file's, it broke.

    Only what the page got is looked at: sound that was lost after that is a failure.
    """
    off = np.abs(np.subtract(pulls_live(folder), pulls_of_file(command, microphone))).max()
    if off >= SAME:
        raise_if_not_whole(sent(page), read_recording(microphone).samples)
    assert off < SAME


def ask_for_more(page):
    """Open the log and ask for the pair of heads: each comes with its picture."""
    page.click("#part-log > summary")
    page.wait_for_selector("#log svg.picture")
    page.click("#part-pair > summary")
    page.click("#ask-pair")
    page.wait_for_selector("#pair svg.picture", timeout=PATIENCE)


@again_if_broken
def test_a_round_by_the_page_ends_with_the_pulls_of_the_file(tmp_path, microphone, command):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "lab", "--depth-in", 9, *SIZES, "--bottom-film-mil", 7.5, "--log", log)[0] == 0
    with served(log) as address, browser(tmp_path / "profile", microphone) as context:
        page = context.new_page()
        page.add_init_script(KEPT_SENT)
        faults, foreign = [], []
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.on("console", lambda line: faults.append(line.text) if line.type == "error" else None)
        page.on("request", lambda ask: None if ask.url.startswith(address) else foreign.append(ask.url))
        page.goto(address)
        page.keyboard.press("Tab")
        page.get_by_role("button", name="lab:").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Rod 1")
        page.keyboard.press("l")
        page.wait_for_selector("#big:text-is('Rod 3')", timeout=60_000)
        assert page.inner_text("#count") == "Round 1, 6 of 18 taps"
        until_moves(page, tmp_path)
        page.keyboard.press("1")
        page.wait_for_selector("#moves .made")
        ask_for_more(page)
        assert_pulls_of_file(page, tmp_path, microphone, command)
        live = json.loads(next(tmp_path.glob("live/*/reading.json")).read_text())
        assert page.inner_text("#verdict") == live["words"]["verdict"]
        assert page.inner_text("#expected") == live["words"]["expected"] != ""
        page.reload()
        page.wait_for_selector("#moves .made")  # the round is where it was
        assert faults == []
        assert foreign == []
    assert live["log"]["drum"] == "lab"


def pulls_live(folder):
    return [rod["pull_cents"] for rod in json.loads(next(folder.glob("live/*/reading.json")).read_text())["rods"]]


def pulls_of_file(command, microphone):
    status, printed, _ = command("even", microphone, *SIZES, "--taps-per-rod", 3, "--json")
    assert status == 0
    return [rod["pull_cents"] for rod in json.loads(printed)["rods"]]


def listening(context, address):
    """A page that listens, after the first tap."""
    page = context.new_page()
    page.add_init_script(KEPT_SENT)
    page.goto(f"{address}#lab")
    page.wait_for_selector("#big:text-is('Rod 1')")
    page.keyboard.press("l")
    page.wait_for_selector("#count:text-is('Round 1, 1 of 18 taps')", timeout=60_000)
    return page


@again_if_broken
def test_a_server_killed_in_the_middle_of_a_tap_loses_nothing(tmp_path, microphone, command):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "lab", "--depth-in", 9, *SIZES, "--log", log)[0] == 0
    server = Server(log)
    try:
        with browser(tmp_path / "profile", microphone) as context:
            page = listening(context, server.address)
            page.wait_for_selector("#count:text-is('Round 1, 5 of 18 taps')", timeout=60_000)
            page.wait_for_timeout(700)  # the next tap falls just now: its half second is not in
            server.kill()
            page.wait_for_selector("#trouble:has-text('does not answer')")
            page.wait_for_timeout(2000)  # and more of them while it is away
            server.start()
            until_moves(page, tmp_path)
            assert page.inner_text("#count") == "Round 1, 18 of 18 taps"
            assert_pulls_of_file(page, tmp_path, microphone, command)
    finally:
        server.stop()


@again_if_broken
def test_a_page_put_to_sleep_goes_on_where_the_round_was(tmp_path, microphone, command):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "lab", "--depth-in", 9, *SIZES, "--log", log)[0] == 0
    with served(log) as address, browser(tmp_path / "profile", microphone) as context:
        page = listening(context, address)
        control = context.new_cdp_session(page)
        control.send("Page.setWebLifecycleState", {"state": "frozen"})
        time.sleep(4.0)  # some taps fall while it sleeps
        control.send("Page.setWebLifecycleState", {"state": "active"})
        until_moves(page, tmp_path)
        assert page.inner_text("#count") == "Round 1, 18 of 18 taps"
        assert_pulls_of_file(page, tmp_path, microphone, command)


SMALL = {"width": 360, "height": 740}
REFUSED = "navigator.mediaDevices.getUserMedia = async () => { throw new DOMException('Not so', '%s'); };"
"""Run before the page's own script: the microphone that Chromium would give is refused, in a browser's words."""
KEPT_TRACK = """
const given = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async (what) => {
  const stream = await given(what); window.track = stream.getAudioTracks()[0]; return stream; };
"""
"""Keeps the track, so that a test can end it as an unplugged microphone does."""
REFUSALS = {"NotFoundError": "No microphone was found", "NotAllowedError": "may not use the microphone",
            "NotReadableError": "does not answer"}  # fmt: skip


@pytest.mark.parametrize(("failure", "words"), REFUSALS.items())
def test_a_microphone_that_does_not_open_is_told_until_the_next_listen(tmp_path, microphone, command, failure, words):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "lab", "--depth-in", 9, *SIZES, "--log", log)[0] == 0
    with served(log) as address, browser(tmp_path / "profile", microphone, viewport=SMALL) as context:
        page = context.new_page()
        page.add_init_script(REFUSED % failure)
        page.goto(f"{address}#lab")
        page.wait_for_selector("#big:text-is('Rod 1')")
        page.keyboard.press("l")
        page.wait_for_selector(f"#trouble:has-text('{words}')")
        page.keyboard.press("s")  # news of the round: it says nothing of the microphone
        page.wait_for_selector("#big:text-is('Rod 2')")
        told = page.inner_text("#trouble")
        assert words in told
        assert "Not so" not in told
        page.evaluate("delete navigator.mediaDevices.getUserMedia")
        page.keyboard.press("l")
        page.wait_for_selector("#listen:has-text('Stop listening')")
        page.wait_for_selector("#trouble", state="hidden")


def test_a_microphone_that_went_away_is_told_until_the_next_listen(tmp_path, microphone, command):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "lab", "--depth-in", 9, *SIZES, "--log", log)[0] == 0
    with served(log) as address, browser(tmp_path / "profile", microphone, viewport=SMALL) as context:
        page = context.new_page()
        page.add_init_script(KEPT_TRACK)
        page.goto(f"{address}#lab")
        page.wait_for_selector("#big:text-is('Rod 1')")
        page.keyboard.press("l")
        page.wait_for_selector("#listen:has-text('Stop listening')")
        page.evaluate("window.track.dispatchEvent(new Event('ended'))")
        page.wait_for_selector("#trouble:has-text('went away')")
        page.keyboard.press("s")
        page.wait_for_selector("#big:text-is('Rod 2')")
        assert "went away" in page.inner_text("#trouble")
        page.keyboard.press("l")
        page.wait_for_selector("#listen:has-text('Stop listening')")
        page.wait_for_selector("#trouble", state="hidden")


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "light"), (1600, "dark")])
def test_nothing_sticks_out_of_the_page_at_any_width(tmp_path, microphone, command, width, scheme):
    log = tmp_path / "log.sqlite3"
    assert command("stand", "new", "a drum with a rather long name", "--depth-in", 9, *SIZES, "--log", log)[0] == 0
    how = {"viewport": {"width": width, "height": 740}, "color_scheme": scheme}
    with served(log) as address, browser(tmp_path / "profile", microphone, **how) as context:
        page = context.new_page()
        page.goto(address)
        page.get_by_role("button", name="a drum").click()
        page.wait_for_selector("#strip svg")
        page.evaluate("document.getElementById('big').textContent = 'Rod 16'")
        lines = page.eval_on_selector("#big", "(big) => big.offsetHeight / parseFloat(getComputedStyle(big).fontSize)")
        assert lines < 1.5  # one line high
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small = page.evaluate("[...document.querySelectorAll('button')].filter((b) => b.offsetParent && "
                              "b.getBoundingClientRect().height < 40).length")  # fmt: skip
        assert small == 0
