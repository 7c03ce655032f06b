"""Makes the pictures of docs/live.md: every state of the page at 360 and 1600 px, light and dark.

Run from the root of the repository with Chromium and Playwright installed: ``python docs/images/live/make.py``.
The page is the real one; what is behind it is made up here, so that every state can be shown at will.
"""

import json
import sys
import threading
import time
from pathlib import Path

import uvicorn
from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[2] / "tests" / "web"))

import pages_made  # noqa: E402

from drumtune.advice import round as rounds  # noqa: E402
from drumtune.advice.turns import Move  # noqa: E402
from drumtune.web.app import build  # noqa: E402

PORT = 8799
PULLS = (6.0, -31.0, 14.0, 22.0, -9.0, -18.0, 37.0, -21.0)
MOVES = (Move(1, 2, "raise", 0.125), Move(2, 8, "raise", 0.0625), Move(3, 7, "lower", 0.0625))
READING = {
    "verdict": "uneven", "spread_cents": 68.0, "spread_sd_cents": 5.0, "expected_spread_cents": 24.0,
    "reasons": ["spread 68 cents, above 20"], "notes": ["The whole head is expected to move by +6 cents."],
    "cautions": ["Wear ear protection."], "take": {"warnings": []},
    "rods": [{"rod": i + 1, "pull_cents": pull, "pull_sd_cents": 4.0, "heard_hz": 187.0, "heard_note": "F#3",
              "heard_cents": 18.0, "taps_used": 3} for i, pull in enumerate(PULLS)],
}  # fmt: skip

EVEN = READING | {
    "verdict": "even", "spread_cents": 9.0, "reasons": ["spread 9 cents, below 20"], "notes": [],
    "rods": [rod | {"pull_cents": round(0.13 * pull, 1)} for rod, pull in zip(READING["rods"], PULLS, strict=True)],
}  # fmt: skip


def tapped(count: int, **other: object) -> rounds.Round:
    """A round of eight rods with `count` taps."""
    state = rounds.Round(8, 3)
    for i in range(count):
        state, _ = rounds.step(state, rounds.Struck(1.0 + 1.2 * i, 0.3))
    for name, value in other.items():
        object.__setattr__(state, name, value)
    return state


STATES = {
    "tapping": (tapped(10), None, ""),
    "reading": (tapped(24), None, "reading"),
    "trouble": (tapped(24, trouble="the taps do not fit one head tapped once round its rods: keep it still"),
                None, ""),
    "moves": (tapped(24, phase="moves", moves=MOVES, ticked=(1,), verdict="uneven"), READING, ""),
    "even": (tapped(24, phase="moves", verdict="even"), EVEN, ""),
}  # fmt: skip


def main(folder: Path) -> None:
    """Serve and take the pictures."""
    work = pages_made.work(folder, rods=lambda name: 8)
    app = build(work, frozenset({f"localhost:{PORT}"}))
    server = uvicorn.Server(uvicorn.Config(app, port=PORT, log_level="error"))
    threading.Thread(target=server.run, daemon=True).start()
    while not server.started:
        time.sleep(0.05)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
        for width, scheme in ((360, "light"), (360, "dark"), (1600, "light"), (1600, "dark")):
            page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
            page.goto(f"http://localhost:{PORT}/")
            page.wait_for_selector("#drums button")
            page.screenshot(path=HERE / f"choose-{width}-{scheme}.png", full_page=True)
            page.goto(f"http://localhost:{PORT}/static/pair.html")
            page.screenshot(path=HERE / f"pair-{width}-{scheme}.png", full_page=True)
            for name, (state, reading, busy) in STATES.items():
                hall = app.app.state.hall
                side = hall.side("floor")
                side.session.state, side.reading, side.busy = state, reading, busy
                page.goto("about:blank")
                page.goto(f"http://localhost:{PORT}/#floor")
                page.wait_for_selector("#strip svg")
                page.wait_for_timeout(400)
                page.screenshot(path=HERE / f"{name}-{width}-{scheme}.png", full_page=True)
            page.close()
        browser.close()
    server.should_exit = True


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        main(Path(place))
    print(json.dumps(sorted(path.name for path in HERE.glob("*.png"))))
