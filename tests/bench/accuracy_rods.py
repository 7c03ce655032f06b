"""Pulls at the rods, read from takes with known truth, beside a reader who trusts the strongest line near each rod.

The strongest-line reader is helped: it is given when each tap was played and what (1,1) of the even head is, looks only
within +-6 % of it, and averages the spectra of a rod's taps. What it takes for the pull is its lines' departure from
their mean, in cents.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from accuracy import section, table
from numpy.typing import NDArray

from drumtune.cli import job, options
from drumtune.errors import DrumtuneError

Floats = NDArray[np.float64]

INCH = 0.0254
EVEN = 20.0
"""True spread in cents under which a head counts as even."""
OFF = 10.0
"""A rod farther off than so many cents has a direction that can be right or wrong."""
REACH = 0.06


@dataclass(frozen=True, slots=True)
class Read:
    """One reading against the truth; `z` and `verdict` only where the reader says how sure it is."""

    level: str
    truth: Floats
    pulls: Floats
    sd: Floats | None = None
    verdict: str = ""
    largest: float = 0.0

    @property
    def error(self) -> Floats:
        """Error of each rod, cents, both with mean zero."""
        return self.pulls - self.pulls.mean() - (self.truth - self.truth.mean())

    @property
    def correlation(self) -> float:
        """Of pulls and truth."""
        return float(np.corrcoef(self.pulls, self.truth)[0, 1])

    @property
    def rms(self) -> float:
        """Rms error over the rods, cents."""
        return float(np.sqrt(np.mean(self.error**2)))


def heard(folder: Path, take: dict[str, Any]) -> Read | None:
    """What `drumtune even` makes of a take, or None when it refuses it."""
    drum = options.stand(
        diameter_in=take["diameter_m"] / INCH,
        rods=take["rods"],
        tap_distance_mm=1000.0 * take["tap_distance_m"],
        film_mil=take["film_mil"],
        surface_density=None,
    )
    try:
        done = job.do([folder / take["file"]], drum, taps_per_rod=take["taps_per_rod"])
    except DrumtuneError as refusal:
        print(f"{take['file']} {take['level']}: refused: {refusal}", flush=True)
        return None
    reading = done.reading
    sd = np.array([rod.pull_sd_cents for rod in reading.rods])
    largest = max((abs(move.turns) for move in done.plan.moves), default=0.0)
    found = Read(take["level"], np.array(take["cents"]), reading.pulls_cents, sd, reading.verdict, largest)
    print(f"{take['file']} {take['level']}: rms {found.rms:.1f} of a spread of {np.ptp(found.truth):.0f}", flush=True)
    return found


def strongest_line(folder: Path, take: dict[str, Any]) -> Read:
    """What a reader of the strongest line near each rod makes of it."""
    samples, rate = soundfile.read(folder / take["file"], always_2d=True)
    marks = np.array(take["marks_s"])
    ends = np.minimum(np.append(marks[1:], samples.shape[0] / rate), marks + 1.0)
    first = float(np.mean(take["modes_hz"][1:3]))
    size = 1 << 18
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    inside = np.flatnonzero(np.abs(frequency / first - 1.0) < REACH)
    power = np.zeros((take["rods"], inside.size))
    for k, (start, stop) in enumerate(zip(marks + 0.02, ends - 0.02, strict=True)):
        tap = samples[int(start * rate) : int(stop * rate), 0]
        spectrum = np.fft.rfft(tap * np.hanning(2 * tap.size)[tap.size :], size)[inside]
        power[k // take["taps_per_rod"]] += np.abs(spectrum) ** 2
    lines = frequency[inside][power.argmax(axis=1)]
    return Read(take["level"], np.array(take["cents"]), 1200.0 * np.log2(lines / lines.mean()))


HEARD = (
    "Errors in cents; direction over rods more than 10 cents off; z is error over stated standard deviation. The "
    "strongest-line reader is told when each tap was played and where (1,1) lies."
)


def rods(folders: list[Path]) -> str:
    """Takes of our own simulator."""
    names = " ".join(folder.name for folder in folders)
    prose = (
        f"`python tests/bench/accuracy.py rods {names}` on takes of `tests/bench/make_takes.py` (each "
        "folder by `make_takes.py seedN --seed N --drums 3 --even 1`): finite-element drums whose simulator shares no "
        "code with the program. Levels: *clean*; *room*, a live room and hum; *phone*, the same worse, with a phone's "
        "narrow band; *muted*, a finger on the centre of the head that is tapped (the other head is quiet in all but "
        f"the last); *open*, the other head left to ring. {HEARD}"
    )
    return section("Pulls at the rods", prose, *measured(folders))


def given(folders: list[Path]) -> str:
    """Takes that another program made."""
    prose = (
        "`python tests/bench/accuracy.py given FOLDER` on takes of a finite-element simulator that is not ours "
        "(tests/data/taps holds four of them and tells of it). They were looked at while the program was built, and "
        f"settings were chosen with them in view. Levels of the same names. {HEARD}"
    )
    return section("Pulls at the rods, by another simulator", prose, *measured(folders))


def measured(folders: list[Path]) -> tuple[str, str]:
    """Table by level of recording, of uneven heads; then what becomes of even ones."""
    if not folders:
        raise SystemExit("name folders of takes: python tests/bench/make_takes.py FOLDER --seed 71")
    takes = [(folder, take) for folder in folders for take in json.loads((folder / "truth.json").read_text("utf-8"))]
    ours = [heard(folder, take) for folder, take in takes]
    theirs = [strongest_line(folder, take) for folder, take in takes]
    pairs = list(zip(ours, theirs, strict=True))
    rows = []
    for level in dict.fromkeys(read.level for read in theirs):
        here = [pair for pair in pairs if pair[1].level == level and np.ptp(pair[1].truth) > EVEN]
        if here:
            rows += [
                _row(level, "drumtune", [own for own, _ in here]),
                _row("", "strongest line", [o for _, o in here]),
            ]
    head = ("level", "reader", "takes", "unsure", "refused", "correlation median / worst", "rms of a drum, median",
            "rms of all rods", "direction right", "z rms")  # fmt: skip
    even = _even_heads([own for own, other in pairs if np.ptp(other.truth) <= EVEN])
    return table(head, rows), even


def _row(level: str, reader: str, reads: list[Read | None]) -> tuple[str, ...]:
    """One line of the table."""
    known = [read for read in reads if read is not None]
    count, refused = str(len(reads)), str(len(reads) - len(known))
    if not known:
        return (level, reader, count, "-", refused, *["-"] * 5)
    errors = np.concatenate([read.error for read in known])
    off = np.concatenate([np.abs(read.truth) > OFF for read in known])
    right = np.concatenate([np.sign(read.pulls) == np.sign(read.truth) for read in known])[off]
    correlation = [read.correlation for read in known]
    score = [read.error / np.maximum(read.sd, 0.1) for read in known if read.sd is not None]
    sure = bool(score)
    return (
        level,
        reader,
        count,
        str(sum(read.verdict == "unsure" for read in known)) if sure else "-",
        refused if sure else "-",
        f"{np.median(correlation):.3f} / {min(correlation):.3f}",
        f"{np.median([read.rms for read in known]):.1f}",
        f"{np.sqrt(np.mean(errors**2)):.1f}",
        f"{right.mean():.3f}",
        f"{np.sqrt(np.mean(np.concatenate(score) ** 2)):.2f}" if sure else "-",
    )


def _even_heads(reads: list[Read | None]) -> str:
    """One sentence about the even heads."""
    known = [read for read in reads if read is not None]
    if not known:
        return "No even head among them."
    said = ", ".join(f"{sum(r.verdict == word for r in known)} {word}" for word in ("even", "unsure", "uneven"))
    return (
        f"Even heads (true spread under {EVEN:.0f} cents): of {len(reads)}, {said}; {len(reads) - len(known)} refused; "
        f"the largest move advised on any was {max(read.largest for read in known):.4g} turn."
    )
