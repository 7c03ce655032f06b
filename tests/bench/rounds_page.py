"""The part of docs/accuracy.md on rounds: takes played before (rounds.py takes), and other players, computed here."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill

import accuracy
import numpy as np
import rounds_play as play

WIDTH = 120
WANTED = "Wanted: median 3 or fewer, 5 or fewer at the 90th percentile, no more than 5 % worse."
SETUP = """`python tests/bench/rounds.py takes FILE` and `write FILE`, seed {seed}. Hidden drums of 6, 8 and 10
rods, put out of tune by turning their rods, 60 to 180 cents; what a turn does is half to twice what their sizes
say, for each pattern of turns; the rim holds the film, lets it slide, or holds it by a spring, a third each;
friction holds back up to a fifth until the next round; turns ± 5 %; and in each drum one move of the first
three rounds is misread (left out, doubled, the wrong way, or made at the next rod). *Takes*: every round is a
recording by the finite-element simulator (room level; 20, 20 or 16 taps at each rod, as the program asks,
each missing its mark by 4 mm both ways, standard deviation), found, read and planned on by the program, told
nothing but sizes, rods and what was advised. The other player trusts the strongest line near
each rod, is told how far a turn goes on this drum, turns in 1/64 up to 1/4, and misreads nothing.

Worse: rounds up to the first under 12 cents that left the head more uneven by over half a cent; in brackets
without those in which a move was misread. The log's loop ends when 12 cents are reached, the other player plays
8 rounds."""
LIMITS = """What limits it. The rows from *drawn readings* on are not sound: the readings are the true pulls
with errors of the covariance that those of the takes above show (rms at a rod by harmonic from 1, cents;
{size}). *Gains told*: the program knows what a turn does, which nobody can. *Everything told*: a strong
player, not a bound: each round the turns that leave the least spread after it, by a linear program, with this hand
and this friction; no round looks beyond itself."""
HEAD = (
    "| loop | drums | spread before | rounds to under 12 cents, median | 90th percentile | reached in 3 / 5 / 8 | "
    "worse | spread at the end, median / 90th percentile |"
)


def write(file: Path, rough: Path | None, count: int, seed: int) -> None:
    """Play the other players, put the part together and into the document."""
    entries = play.saved(file)
    errors = play.errors_of(entries)
    rows = [play.row("log, takes", play.runs_of(entries, "log"))]
    if any(entry["player"] == "line" for entry in entries):
        rows.append(play.row("strongest line, takes", play.runs_of(entries, "line")))
    if rough is not None:
        rows.append(play.row("log, takes, rougher taps", play.runs_of(play.saved(rough), "log")))
    rows.append(play.row("strongest line, heard without any error", play.line_runs(count, seed)))
    print("\n".join(rows), flush=True)
    exact = {rods: np.full(rods // 2, 0.01) for rods in play.RODS}
    for name, size, given in (
        ("log, drawn readings", errors, {}),
        ("log, drawn readings, rods unlike by 6 %", errors, {"unlike": 0.06}),
        ("log, drawn readings, out of tune by any tension", errors, {"by_rods": False}),
        ("log, drawn readings, gains told", errors, {"known_gains": True}),
        ("log, exact readings", exact, {}),
        ("log, exact readings, gains told", exact, {"known_gains": True}),
    ):
        rows.append(play.row(name, play.drawn_runs(count, seed, size, **given)))
        print(rows[-1], flush=True)
    rows.append(play.row("everything told, turns of any size", play.told_all(count, seed)))
    print(rows[-1], flush=True)
    accuracy.write("rounds", page(rows, errors, entries, seed))


def page(rows: list[str], errors: play.Errors, entries: list[dict[str, object]], seed: int) -> str:
    """The whole part."""
    size = "; ".join(f"{rods} rods: " + ", ".join(f"{sd:.1f}" for sd in sds) for rods, sds in errors.items())
    lines = [
        "## Rounds",
        "",
        filled(SETUP.format(seed=seed)),
        "",
        HEAD,
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        filled(verdict(play.figures(play.runs_of(entries, "log")))),
        "",
        filled(LIMITS.format(size=size)),
        "",
    ]
    return "\n".join(lines)


def filled(words: str) -> str:
    """Words in lines of the document's width."""
    return "\n\n".join(
        fill(part, WIDTH, break_long_words=False, break_on_hyphens=False) for part in words.split("\n\n")
    )


def verdict(found: dict[str, float]) -> str:
    """What was wanted and what came."""
    median, high = (f"{found[key]:.3g}" if found[key] < 99 else "more than 8" for key in ("median", "p90"))
    return (
        f"{WANTED} Takes: {median}, {high}, and {100 * found['worse']:.0f} % "
        f"({100 * found['worse_clean']:.0f} % where nothing was misread)."
    )
