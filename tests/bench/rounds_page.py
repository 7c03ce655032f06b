"""The part of docs/accuracy.md on rounds: takes played before (rounds.py takes), and other players, computed here."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from textwrap import fill

import accuracy
import numpy as np
import rounds_play as play

WIDTH = 120
WANTED = "Wanted: median 3 or fewer, 5 or fewer at the 90th percentile, no more than 5 % worse."
SETUP = """`python tests/bench/rounds.py takes FILE --seed SEED`, the same with `--checked`, and `write FILE ...`; seeds
{seeds}. Hidden drums of 6, 8 and 10 rods, put out of tune by turning their rods, 60 to 180 cents; what a turn
does is half to twice what their sizes say, for each pattern of turns; the rim holds the film, lets it slide, or
holds it by a spring, a third each; friction holds back up to a fifth until the next round; turns ± 5 %; and in
each drum one move of the first three rounds is misread (left out, doubled, the wrong way, or made at the next
rod). *Takes*: every round is a recording by the finite-element simulator (room level; 20, 20 or 16 taps at each
rod, as the program asks, each missing its mark by 4 mm both ways, standard deviation), found, read and planned
on by the program, told nothing but sizes, rods and what was advised. *Moves checked*: after each move the player
taps three times at the rod he was told to turn, and puts right, as sloppily as ever, what the program hears was
not made as told ("Moves heard at the rods"). The other player trusts the strongest line near each rod, is told
how far a turn goes on this drum, turns in 1/64 up to 1/4, and misreads nothing.

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


def write(files: list[Path], count: int) -> None:
    """Play the other players, put the part together and into the document."""
    entries = [entry for file in files for entry in play.saved(file)]
    seeds = sorted({int(entry["seed"]) for entry in entries if entry["player"] == "log"})
    errors = play.errors_of(entries)
    takes = {
        "log, takes, moves checked": play.runs_of(entries, "log", checked=True),
        "log, takes, moves made blindly": play.runs_of(entries, "log"),
        "log, takes, moves made blindly, rougher taps": play.runs_of(entries, "log", rough=True),
        "strongest line, takes": play.runs_of(entries, "line"),
    }
    rows = [play.row(name, runs) for name, runs in takes.items() if runs]
    rows.append(play.row("strongest line, heard without any error", _of(play.line_runs, count, seeds)))
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
        rows.append(play.row(name, _of(partial(play.drawn_runs, errors=size, **given), count, seeds)))
        print(rows[-1], flush=True)
    rows.append(play.row("everything told, turns of any size", _of(play.told_all, count, seeds)))
    print(rows[-1], flush=True)
    wanted = takes["log, takes, moves checked"] or takes["log, takes, moves made blindly"]
    accuracy.write("rounds", page(rows, errors, play.figures(wanted), seeds))


def _of(player: Callable[[int, int], list[play.Run]], count: int, seeds: list[int]) -> list[play.Run]:
    """Runs of a player on so many drums of each seed."""
    return [run for seed in seeds for run in player(count, seed)]


def page(rows: list[str], errors: play.Errors, found: dict[str, float], seeds: list[int]) -> str:
    """The whole part."""
    size = "; ".join(f"{rods} rods: " + ", ".join(f"{sd:.1f}" for sd in sds) for rods, sds in errors.items())
    lines = [
        "## Rounds",
        "",
        filled(SETUP.format(seeds=" and ".join(map(str, seeds)))),
        "",
        HEAD,
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        filled(verdict(found)),
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
        f"{WANTED} Takes, first row: {median}, {high}, and {100 * found['worse']:.1f} % "
        f"({100 * found['worse_clean']:.1f} % where nothing was misread)."
    )
