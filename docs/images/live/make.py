"""Makes the pictures of docs/live.md: every state of the page at 360 and 1600 px, light and dark.

Run from the root of the repository with Chromium and Playwright installed: ``python docs/images/live/make.py``.
The page is the real one; what is behind it is made up here, so that every state can be shown at will.
"""

import json
import sys
import threading
import time
from pathlib import Path

import numpy as np
import uvicorn
from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[2] / "tests" / "web"))

import pages_made  # noqa: E402

from drumtune.advice import pair_sound  # noqa: E402
from drumtune.advice import round as rounds  # noqa: E402
from drumtune.advice.turns import Move  # noqa: E402
from drumtune.cli import live_job, pair_job  # noqa: E402
from drumtune.cli.pair_stand import Shell, described  # noqa: E402
from drumtune.physics.whole_hit import Stroke  # noqa: E402
from drumtune.web.app import Hall, build  # noqa: E402

PORT = 8799
PULLS = (6.0, -31.0, 14.0, 22.0, -9.0, -18.0, 37.0, -21.0)
MOVES = (Move(1, 2, "raise", 0.125), Move(2, 8, "raise", 0.0625), Move(3, 7, "lower", 0.0625))
READING = {
    "verdict": "uneven", "spread_cents": 68.0, "spread_sd_cents": 5.0, "expected_spread_cents": 24.0,
    "reasons": ["spread 68 cents, above 20"], "notes": ["The head as a whole is expected to move by +6 cents."],
    "cautions": ["Wear ear protection."], "take": {"warnings": []},
    "words": {"verdict": "Verdict: uneven. Spread 68 ± 5 cents, less what the scatter of taps adds.",
              "expected": "Spread expected afterwards: 24 ± 6 cents."},
    "rods": [{"rod": i + 1, "pull_cents": pull, "pull_sd_cents": 4.0, "heard_hz": 187.0, "heard_note": "F#3",
              "heard_cents": 18.0, "taps_used": 3} for i, pull in enumerate(PULLS)],
}  # fmt: skip

EVEN = READING | {
    "verdict": "even", "spread_cents": 9.0, "reasons": ["spread 9 cents, below 20"], "notes": [],
    "words": {"verdict": "Verdict: even. Spread 9 ± 5 cents, less what the scatter of taps adds.", "expected": ""},
    "rods": [rod | {"pull_cents": round(0.13 * pull, 1)} for rod, pull in zip(READING["rods"], PULLS, strict=True)],
}  # fmt: skip


HEARD = (187.2, 184.1, 188.9, 189.6, 186.0, 185.3, 191.0, 185.0)

LOG = [
    {"number": 5 - i, "when": f"2026-11-2{5 - i}T18:30:00Z", "verdict": "even" if spread < 20 else "uneven",
     "spread_cents": spread, "spread_sd_cents": 5.0, "expected_spread_cents": None,
     "pulls_cents": [round(spread / 68.0 * pull, 1) for pull in PULLS]}
    for i, spread in enumerate((12.0, 31.0, 24.0, 45.0, 68.0))
]  # fmt: skip


def tapped(count: int, **other: object) -> rounds.Round:
    """A round of eight rods with `count` taps."""
    state = rounds.Round(8, 3)
    for i in range(count):
        state, _ = rounds.step(state, rounds.Struck(1.0 + 1.2 * i, 0.3))
    for name, value in other.items():
        object.__setattr__(state, name, value)
    return state


MOVING = (tapped(24, phase="moves", moves=MOVES, ticked=(1,), verdict="uneven"), READING, "")
STATES = {
    "tapping": (tapped(10), None, ""),
    "reading": (tapped(24), None, "reading"),
    "trouble": (tapped(24, trouble="the taps do not fit one head tapped once round its rods: keep it still"),
                None, ""),
    "moves": MOVING,
    "even": (tapped(24, phase="moves", verdict="even"), EVEN, ""),
}  # fmt: skip
PARTS = ("ring", "pair", "kit", "log", "upload", "table")
"""Parts of the page that are opened one by one."""


def answers(folder: Path) -> dict[str, object]:
    """Real answers to what a page can ask for: of a recorded tap, and of drums described here."""
    log = folder / "log.sqlite3"
    sizes = ((10, 9, 6, "rack"), (12, 10, 6, "middle"), (14, 14, 8, "floor"), (16, 14, 8, "low floor"))
    for diameter, depth, rods, name in sizes:
        told = {"name": name, "diameter_in": diameter, "depth_in": depth, "rods": rods}
        live_job.describe(log, {**told, "top": {"film_mil": 7.5}, "bottom": {"film_mil": 7.5}})
    take = HERE.parents[2] / "tests" / "data" / "taps" / "take01.flac"
    live_job.read_file(log, "rack", take, 3)
    drum = described(Shell(14.0, 14.0, (7.5, 7.5)))
    wish = pair_job.Wish("long", "rod", 18.0, 180.0, 200.0)
    tuning = pair_job.do(drum, pair_job.Takes(None, None, None, None), wish).tuning
    sound = pair_sound.hit(tuning, 2.0, 3 * 48000, 48000.0, Stroke(noise_db=-26.0))
    room = 1e-3 * np.random.default_rng(0).standard_normal(5 * 48000)
    room[24000 : 24000 + sound.size] += 0.5 * sound / np.abs(sound).max()
    ring = live_job.ring(log, "floor", room, 48000.0)
    return {"pair": live_job.pair(log, "rack"), "kit": live_job.kit(log), "ring": ring}


def main(folder: Path) -> None:
    """Serve and take the pictures."""
    found = answers(folder)
    sizes = {"floor": "14 x 14 in tom, 8 rods, flanged hoop", "rack": "10 x 9 in tom, 6 rods, flanged hoop"}
    names = [{"name": name, "sizes": size, "rods": 8, "takes": 1} for name, size in sizes.items()]
    work = pages_made.work(
        folder, rods=lambda name: 8, drums=lambda: names, pair=lambda name: found["pair"], kit=lambda: found["kit"],
        ring=lambda *words: found["ring"], log=lambda name: LOG,
    )  # fmt: skip
    app = build(work, frozenset({f"localhost:{PORT}"}), per_rod=3)
    server = uvicorn.Server(uvicorn.Config(app, port=PORT, log_level="error"))
    threading.Thread(target=server.run, daemon=True).start()
    while not server.started:
        time.sleep(0.05)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
        for width, scheme in ((360, "light"), (360, "dark"), (1600, "light"), (1600, "dark")):
            page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
            look(page, app.app.state.hall, f"{width}-{scheme}")
            page.close()
        browser.close()
    server.should_exit = True


def look(page: Page, hall: Hall, how: str) -> None:
    """Take all pictures at one width and in one scheme of colours."""
    page.goto(f"http://localhost:{PORT}/")
    page.wait_for_selector("#drums button")
    page.screenshot(path=HERE / f"choose-{how}.png", full_page=True)
    page.goto(f"http://localhost:{PORT}/static/pair.html")
    page.screenshot(path=HERE / f"code-{how}.png", full_page=True)
    for name, shown in STATES.items():
        show(page, hall, *shown)
        page.screenshot(path=HERE / f"{name}-{how}.png", full_page=True)
    show(page, hall, *MOVING)
    for part in PARTS:
        page.click(f"#part-{part} > summary")
        if page.query_selector(f"#ask-{part}"):
            page.click(f"#ask-{part}")
        page.wait_for_timeout(500)
        page.locator(f"#part-{part}").screenshot(path=HERE / f"{part}-{how}.png")
        page.click(f"#part-{part} > summary")


def show(page: Page, hall: Hall, state: rounds.Round, reading: dict | None, busy: str) -> None:
    """Open the page with the round in a state."""
    side = hall.side("floor")
    side.session.state, side.reading, side.busy = state, reading, busy
    side.session.asked()
    side.session._lines = {stroke.time: (HEARD[stroke.rod - 1], -20.0) for stroke in state.strokes}
    side.session.last_hit = lambda: (np.zeros(1), 48000.0)
    page.goto("about:blank")
    page.goto(f"http://localhost:{PORT}/#floor")
    page.wait_for_selector("#strip svg")
    page.wait_for_timeout(400)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        main(Path(place))
    print(json.dumps(sorted(path.name for path in HERE.glob("*.png"))))
