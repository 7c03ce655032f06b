"""The lesson's page in a real browser: headless Chromium, from a folder, without a network."""

import json
from pathlib import Path

import numpy as np
import pytest

from drumtune.advice.lesson.subject import RATE
from drumtune.cli import lesson_job

CHROMIUM = Path("/usr/bin/chromium")
WHY = "needs Debian's chromium and the Python package playwright"
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required", "--mute-audio",
)  # fmt: skip
PLAY_ALL = """async () => Promise.all([...document.querySelectorAll("audio")].map((clip) => new Promise((done) => {
  const name = clip.src.split("/").pop();
  clip.onended = () => done([name, "ended", clip.currentTime, clip.duration]);
  clip.onerror = () => done([name, "error", 0, 0]);
  clip.play().catch((cause) => done([name, String(cause), 0, 0]));
})))"""
DRAWN = """() => ["motion", "lines"].map((id) => document.getElementById(id).innerHTML).join()"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("lesson")
    given = dict(zip(lesson_job.LIMITS, (12.0, 8.0, 6, 216.5, 3.0, 10.0, 7.5), strict=True))
    lesson_job.write(lesson_job.described(given), 1, made)
    return made


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not CHROMIUM.exists():
        pytest.skip(WHY)
    playwright = pytest.importorskip("playwright.sync_api", reason=WHY)
    with playwright.sync_playwright() as started:
        profile = str(tmp_path_factory.mktemp("profile"))
        context = started.chromium.launch_persistent_context(
            profile, executable_path=str(CHROMIUM), headless=True, args=list(FLAGS), offline=True
        )
        yield context
        context.close()


@pytest.fixture
def page(browser, folder):
    """The page, freshly opened; what it complained of is checked at the end."""
    opened, said = browser.new_page(), []
    opened.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    opened.on("pageerror", lambda error: said.append(str(error)))
    opened.goto((folder / "index.html").as_uri())
    yield opened
    opened.close()
    assert said == []


def test_every_clip_plays_to_its_end(page, folder):
    played = page.evaluate(PLAY_ALL)
    assert len(played) == len(list((folder / "clips").iterdir()))
    for name, what, reached, length in played:
        assert (name, what) == (name, "ended")
        assert reached == pytest.approx(length, abs=0.05)


@pytest.mark.parametrize("slider", ["top-slider", "bottom-slider"])
def test_the_arrow_keys_move_a_slider_and_what_is_drawn_and_said(page, slider):
    before, said = page.evaluate(DRAWN), page.inner_text("#says")
    page.focus(f"#{slider}")
    page.keyboard.press("ArrowRight")
    assert page.evaluate(DRAWN) != before
    assert page.inner_text("#says") != said
    page.keyboard.press("ArrowLeft")
    assert page.evaluate(DRAWN) == before
    assert page.inner_text("#says") == said


def test_the_page_sounds_the_note_that_it_says(page):
    """Spectrum of the page's own samples against the coupled drum's lower (0,1), worked out in Python."""
    data = json.loads(
        page.inner_text("#bench-data") or page.evaluate("document.getElementById('bench-data').textContent")
    )
    for top, bottom in ((6, 15), (3, 20)):
        sound = np.array(
            page.evaluate(f"Array.from(lessonBench.samples(lessonBench.data.rows[{top}][{bottom}], {RATE}, 2))")
        )
        cell = data["rows"][top][bottom]
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size), 8 * RATE))
        hertz = np.arange(spectrum.size) / 8.0
        near = np.abs(hertz / cell["low"] - 1.0) < 0.1
        assert hertz[near][np.argmax(spectrum[near])] == pytest.approx(cell["low"], abs=0.5)
        assert 0.01 < np.abs(sound).max() <= 0.7


def test_the_samples_of_the_page_are_the_sum_of_its_lines(page):
    """The page's recurrences against the closed form."""
    cell = page.evaluate("lessonBench.data.rows[6][15]")
    sound = np.array(page.evaluate(f"Array.from(lessonBench.samples(lessonBench.data.rows[6][15], {RATE}, 1))"))
    most = page.evaluate(
        "Math.max(...lessonBench.data.rows.flat().filter(Boolean).map((c) => c.lines.reduce((s, l) => s + l[2], 0)))"
    )
    t = np.arange(RATE) / RATE
    hz, decay, strength = (np.array(column)[:, None] for column in zip(*cell["lines"], strict=True))
    wanted = (0.7 * strength / most * np.exp(-3.0 * np.log(10.0) / decay * t) * np.sin(2.0 * np.pi * hz * t)).sum(
        axis=0
    )
    kept = slice(0, RATE - round(0.05 * RATE))  # the end is faded
    assert np.abs(sound[kept] - wanted[kept]).max() < 1e-5  # single precision adds up


def test_the_button_plays_by_key_to_the_end(page):
    page.focus("#hear")
    page.keyboard.press("Enter")
    page.wait_for_selector("#hear[data-state=playing]")
    page.wait_for_selector("#hear[data-state=ended]", timeout=10000)


def test_a_move_plays_when_asked_to_follow(page):
    page.check("#follow")
    page.focus("#bottom-slider")
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#hear[data-state=ended]", timeout=10000)


def test_every_question_tells_right_from_wrong_by_keyboard(page):
    for field in page.query_selector_all("fieldset[data-answer]"):
        answer, choices = int(field.get_attribute("data-answer")), field.query_selector_all("input")
        for place, choice in enumerate(choices):
            choice.focus()
            page.keyboard.press("Space")
            verdict = field.evaluate("f => f.parentElement.querySelector('.verdict').textContent")
            assert verdict.startswith("Right" if place == answer else "Not that one")


@pytest.mark.parametrize("width", [360, 1600])
def test_nothing_is_wider_than_the_screen(page, width):
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    shown = page.evaluate(
        "[...document.images].map((i) => [i.complete && i.naturalWidth > 0, i.getBoundingClientRect().right])"
    )
    assert all(loaded and right <= width for loaded, right in shown)


def test_everything_that_can_be_used_has_a_name(page):
    nameless = page.evaluate("""() => [...document.querySelectorAll("audio, input, button, svg, img")].filter((e) =>
      !(e.getAttribute("aria-label") || e.getAttribute("alt") || (e.labels && e.labels.length) || e.textContent.trim()))
      .map((e) => e.outerHTML)""")
    assert nameless == []


def test_the_tab_key_reaches_every_control(page):
    wanted = page.evaluate(
        """() => [...document.querySelectorAll("audio, input:not([type=radio]), button, summary")].length"""
    )
    reached = page.evaluate("""() => [...document.querySelectorAll("audio, input:not([type=radio]), button, summary")]
      .filter((e) => { e.focus(); return document.activeElement === e; }).length""")
    assert reached == wanted
