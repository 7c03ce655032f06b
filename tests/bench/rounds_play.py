"""Players of rounds on hidden drums: the program's loop, a player who trusts the strongest line, one told everything.

Used by rounds.py of this folder, which says how a reading comes about: from a take, or drawn.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "docs" / "examples"))

import rounds as world

from drumtune.advice.response import Learned
from drumtune.advice.rounds import Kept, know, plan_round
from drumtune.advice.turns import Move, signed_turns
from drumtune.physics import modes
from drumtune.physics.rods import RodResponse, harmonic_projectors
from drumtune.physics.synthesis import sounding_head

Floats = NDArray[np.float64]
ROOT = Path(__file__).resolve().parents[2]
MOST = 8
"""Rounds after which we stop."""
RODS = (6, 8, 10)
FINEST = 1.0 / 64.0
"""Smallest turn of the other player, as fine as the program's finest; and his largest, as large as the program's."""
LARGEST = 1.0 / 4.0
Errors = dict[int, Floats]
"""Covariance of readings' errors by rods: standard deviation at a rod for each harmonic from 1, cents."""


@dataclass(frozen=True, slots=True)
class Run:
    """One drum: true spread before each round and after the last, and the round that was misread (or none)."""

    spreads: list[float]
    misread: int

    @property
    def needed(self) -> int:
        """Rounds to a true spread under the aim; 99 where it was not reached."""
        return next((i for i, spread in enumerate(self.spreads) if spread < world.DONE), 99)

    @property
    def worse(self) -> list[bool]:
        """Of each round up to the one that reached the aim, whether it left the head more uneven."""
        pairs = zip(self.spreads[:-1], self.spreads[1:], strict=True)
        return [after > before + world.WORSE for before, after in pairs][: self.needed]


Hear = Callable[[Floats | None], tuple[Kept, str] | None]
CheckMoves = Callable[[Floats, tuple[Move, ...], Learned], Floats]
"""Pitches at the rods before the first move and after each, the moves, what is known: turns that put the rods right."""
Turn = Callable[[Floats], None]


def run_log(
    hidden: world.HiddenDrum,
    hear: Hear,
    *,
    check: CheckMoves | None = None,
    known_gains: bool = False,
    until_done: bool = False,
    quiet: bool = True,
) -> Run:
    """Rounds of the log's loop; a take that allows no answer costs a round without turns.

    With `check` the player taps at each rod just turned and makes good what that shows.

    `known_gains` tells the program what a turn does on this drum, which nobody is told. `until_done` stops at the aim.
    """
    log: list[Kept] = []
    turned: Floats | None = None
    spreads = [hidden.spread]
    slipped = -1
    for number in range(MOST):
        heard = hear(turned)
        turned, moves, checked = np.zeros(hidden.drum.rods), (), None
        if heard is not None:
            log.append(heard[0])
            known = know(hidden.drum, log)
            known = with_gains(known, hidden) if known_gains else known
            plan = plan_round(known, hidden.drum, heard[0].tension, heard[1])
            moves = plan.moves
            turned = signed_turns(moves, hidden.drum.rods)
            checked = None if check is None else _with(check, moves, known)
        slips = bool(np.any(turned)) and hidden.rounds == hidden.misread
        slipped = number if slips else slipped
        hidden.turn(turned, order=[move.rod - 1 for move in moves], check=checked)
        spreads.append(hidden.spread)
        if not quiet:
            told = "no answer" if heard is None else f"{heard[1]}, known {np.ptp(known.pulls):.0f}"
            print(f"    {told}, {np.count_nonzero(turned)} moves: {hidden.spread:.0f}" + " misread" * slips, flush=True)
        if until_done and hidden.spread < world.DONE:
            break
    return Run(spreads, slipped)


def _with(check: CheckMoves, moves: tuple[Move, ...], known: Learned) -> world.Check:
    return lambda states: check(states, moves, known)


def with_gains(known: Learned, hidden: world.HiddenDrum) -> Learned:
    """What is known, the gains being those of the hidden drum."""
    parts = harmonic_projectors(hidden.drum.rods)
    gains = np.array([np.trace(part @ hidden.matrix) / np.trace(part) for part in parts])
    response = RodResponse(hidden.drum.rods, gains, 1e-4 * np.eye(gains.size))
    return replace(known, response=response, pairs=max(known.pairs, 1))


def run_line(hidden: world.HiddenDrum, lines: Callable[[], Floats]) -> Run:
    """Rounds of a player who brings the strongest line near each rod to the mean of all.

    He is given what nobody has: how far a turn goes on this drum. He turns as finely as the program asks for at its
    finest, and never misreads a move.
    """
    own = float(np.diagonal(hidden.matrix).mean())
    spreads = [hidden.spread]
    for _ in range(MOST):
        heard = lines()
        off = 1200.0 * np.log2(heard / heard.mean())
        hidden.turn(np.clip(np.round(-off / own / FINEST) * FINEST, -LARGEST, LARGEST), careful=True)
        spreads.append(hidden.spread)
    return Run(spreads, -1)


def drawn(hidden: world.HiddenDrum, rng: np.random.Generator, errors: Errors, turned: Floats | None) -> Kept:
    """Stand in for a take and its reading: true pulls with errors of the covariance that readings of takes show."""
    rods = hidden.drum.rods
    parts = harmonic_projectors(rods)
    covariance = np.zeros((rods, rods))
    for sd, part in zip(errors[rods], parts[1:], strict=True):
        covariance += sd**2 * rods / np.trace(part) * part
    error = rng.multivariate_normal(np.zeros(rods), covariance, method="eigh")
    mean = float(hidden.cents.mean())
    pair = hidden.frequency * 2.0 ** ((mean + rng.normal(0.0, 2.0)) / 1200.0)
    return Kept(hidden.cents - mean + error, covariance, pair, 0.02, hidden.tension, turned, said=True)


def drawn_runs(
    count: int,
    seed: int,
    errors: Errors,
    *,
    known_gains: bool = False,
    by_rods: bool = True,
    unlike: float = 0.0,
) -> list[Run]:
    """Rounds of the program on drawn readings."""
    runs = []
    for number in range(count):
        hidden = world.hidden_drum(1000 * seed + number, RODS[number % 3], by_rods=by_rods, unlike=unlike)
        rng = np.random.default_rng([seed, number])

        def hear(
            turned: Floats | None, hidden: world.HiddenDrum = hidden, rng: np.random.Generator = rng
        ) -> tuple[Kept, str]:
            return drawn(hidden, rng, errors, turned), "uneven"

        runs.append(run_log(hidden, hear, known_gains=known_gains, until_done=True))
    return runs


def line_runs(count: int, seed: int) -> list[Run]:
    """Rounds of the other player, who hears the stronger of the (1,1) pair at each rod without any error."""
    runs = []
    for number in range(count):
        hidden = world.hidden_drum(1000 * seed + number, RODS[number % 3])
        runs.append(run_line(hidden, lambda hidden=hidden: true_lines(hidden)))
    return runs


def true_lines(hidden: world.HiddenDrum) -> Floats:
    """Frequency of the stronger of the (1,1) pair at each rod, Hz, from the modes of the head."""
    drum = hidden.drum
    head = sounding_head(drum, hidden.cents - hidden.cents.mean(), hidden.tension, count=8)
    spot = np.full(drum.rods, drum.tap_radius)
    shape = np.abs(modes.shapes(spot, drum.rod_angles)[0] @ head.vectors)[:, 1:3]
    return head.frequencies[1:3][shape.argmax(axis=1)]


def told_all(count: int, seed: int) -> list[Run]:
    """Rounds of somebody who is told every pitch, what friction holds back and what each turn does.

    Each round the turns up to a quarter that make the spread least, of any size (a linear program); hand, slip and
    friction remain. A strong player, not a bound: no round looks beyond itself.
    """
    runs = []
    for number in range(count):
        hidden = world.hidden_drum(1000 * seed + number, RODS[number % 3])
        spreads = [hidden.spread]
        for _ in range(MOST):
            hidden.turn(least_spread(hidden.cents + hidden.waiting, hidden.matrix))
            spreads.append(hidden.spread)
            if hidden.spread < world.DONE:
                break
        runs.append(Run(spreads, hidden.misread))
    return runs


def least_spread(pitch: Floats, matrix: Floats) -> Floats:
    """Turns up to `LARGEST` that leave the least spread."""
    from scipy.optimize import linprog

    rods = pitch.size
    one, none = np.ones((rods, 1)), np.zeros((rods, 1))
    rows = np.block([[matrix, -matrix, -one, none], [-matrix, matrix, none, one]])
    cost = np.concatenate([np.full(2 * rods, 1e-3), [1.0, -1.0]])
    limits = [(0.0, LARGEST)] * (2 * rods) + [(None, None)] * 2
    found = linprog(cost, rows, np.concatenate([-pitch, pitch]), bounds=limits).x
    return np.asarray(found[:rods] - found[rods : 2 * rods])


def play_takes(path: Path, count: int, lines: int, seed: int, *, rough: bool, checked: bool) -> None:
    """Both players on takes, drum by drum; what came of each is added to the file."""
    from rounds_takes import Takes

    done = {(entry["player"], entry["number"]) for entry in saved(path) if entry["seed"] == seed}
    games = [("log", number) for number in range(count)] + [("line", number) for number in range(lines)]
    for player, number in games:
        if (player, number) in done:
            continue
        rods = RODS[number % 3]
        hidden = world.hidden_drum(1000 * seed + number, rods)
        takes = Takes(hidden, 1000 * seed + number, rough)
        print(f"drum {number + 1}, {player}: {rods} rods, {hidden.rim}, spread {hidden.spread:.0f}", flush=True)
        if player == "log":
            run = run_log(hidden, takes.hear, check=takes.check if checked else None, until_done=True, quiet=False)
        else:
            run = run_line(hidden, takes.lines)
        print("    " + " ".join(f"{spread:.0f}" for spread in run.spreads), flush=True)
        entry = {"player": player, "number": number, "seed": seed, "rods": rods, "rim": hidden.rim, "rough": rough}
        entry |= {"spreads": run.spreads, "misread": run.misread, "errors": takes.errors}
        entry |= {"checked": checked, "checks": takes.checks}
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry) + "\n")


def saved(path: Path) -> list[dict[str, Any]]:
    """What came of the drums played so far."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def runs_of(entries: Sequence[dict[str, Any]], player: str, **kind: bool) -> list[Run]:
    """Runs of one player: `rough` or not, `checked` or not."""
    kind = {"rough": False, "checked": False} | kind
    chosen = [entry for entry in entries if entry["player"] == player]
    chosen = [entry for entry in chosen if all(entry.get(name, False) == kind[name] for name in kind)]
    return [Run(entry["spreads"], entry["misread"]) for entry in chosen]


def errors_of(entries: Sequence[dict[str, Any]]) -> Errors:
    """Rms error at a rod by harmonic, of readings of drums with as many rods, those of heads as found left out."""
    found: Errors = {}
    for rods in RODS:
        missed = [reading[0] for entry in entries if entry["rods"] == rods for reading in entry["errors"][1:]]
        found[rods] = np.sqrt(np.mean(np.square(missed), axis=0))
    return found


def figures(runs: list[Run]) -> dict[str, float]:
    """Statistics of a set of runs."""
    needed = np.array([run.needed for run in runs])
    steps = [(worse, place == run.misread) for run in runs for place, worse in enumerate(run.worse)]
    every = np.array([worse for worse, _ in steps])
    clean = np.array([worse for worse, slipped in steps if not slipped])
    return {
        "median": float(np.median(needed)),
        "p90": float(np.percentile(needed, 90, method="higher")),
        "three": float(np.mean(needed <= 3)),
        "five": float(np.mean(needed <= 5)),
        "reached": float(np.mean(needed < 99)),
        "worse": float(every.mean()),
        "worse_clean": float(clean.mean()),
        "start": float(np.median([run.spreads[0] for run in runs])),
        "end": float(np.median([run.spreads[-1] for run in runs])),
        "end_p90": float(np.percentile([run.spreads[-1] for run in runs], 90)),
    }


def row(name: str, runs: list[Run]) -> str:
    """One line of the table."""
    f = figures(runs)

    def rounds(value: float) -> str:
        return f"{value:.3g}" if value < 99 else "not reached"

    return (
        f"| {name} | {len(runs)} | {f['start']:.0f} | {rounds(f['median'])} | {rounds(f['p90'])} | "
        f"{100 * f['three']:.0f} / {100 * f['five']:.0f} / {100 * f['reached']:.0f} % | "
        f"{100 * f['worse']:.1f} % ({100 * f['worse_clean']:.1f} %) | {f['end']:.0f} / {f['end_p90']:.0f} |"
    )
