"""The work of `drumtune pair`, from a drum and takes to a scan and its ranking. Gives values; prints nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drumtune.cli.pair_stand import heard_at, within

if TYPE_CHECKING:
    from drumtune.advice.pair import Scan, Tuning
    from drumtune.advice.pair_aims import Advice, Aim
    from drumtune.advice.pair_lines import Lines
    from drumtune.advice.pair_sound import Motion
    from drumtune.advice.pair_takes import Fit
    from drumtune.physics.two_heads import TwoHeads

RANGE = range(-12, 13)
"""Offsets of the scan, semitones."""
PLACES = 60
"""Places along the radius at which the heads' motion is shown."""


@dataclass(frozen=True, slots=True)
class Takes:
    """The takes given, and the channel to read."""

    top: Path | None
    bottom: Path | None
    both: Path | None
    channel: int | None

    @property
    def files(self) -> tuple[Path, ...]:
        """Those that were given."""
        return tuple(path for path in (self.top, self.bottom, self.both) if path is not None)


@dataclass(frozen=True, slots=True)
class Wish:
    """What the player wants and where the heads are: aim, place of the pitches, stick (g), pitches (Hz)."""

    aim: str
    pitch: str
    stick_g: float
    top_hz: float | None
    bottom_hz: float | None


@dataclass(frozen=True, slots=True)
class Target:
    """Where to take the bottom head: pitch to hear (Hz), rough turns of each rod from where it is, and their sd."""

    bottom_hz: float
    turns: float | None
    turns_sd: float | None


@dataclass(frozen=True, slots=True)
class PairJob:
    """What came out: tuning, scan, reference row, aim, ranking with targets, feel (SI), the takes' fit, sentences."""

    tuning: Tuning
    scan: Scan
    reference: Scan
    aim: Aim
    advice: tuple[Advice, ...]
    targets: tuple[Target, ...]
    stiffness: float
    contact: float
    fit: Fit | None
    cautions: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def best(self) -> tuple[tuple[float, float], ...]:
        """Stretches of offsets that the ear does not tell from the best, from and to, semitones."""
        from drumtune.advice.pair_aims import spans

        return spans(self.scan, self.aim)

    @property
    def motion(self) -> Motion:
        """Motion of both heads along the radius at the first recommendation."""
        from drumtune.advice.pair_sound import motion

        return motion(self.tuning, self.advice[0].semitones, [k / (PLACES - 1) for k in range(PLACES)])


def do(drum: TwoHeads, takes: Takes, wish: Wish) -> PairJob:
    """Do the whole job.

    Raises
    ------
    DrumtuneError
        If the drum cannot be, the takes do not show what is needed, or nothing can be recommended.
    """
    from drumtune.advice import pair, pair_aims
    from drumtune.physics import feel

    aim = pair_aims.parse_aim(wish.aim)
    order = heard_at(wish.pitch)
    stick = within("--stick-g", wish.stick_g, 1.0, 200.0, "grams at the tip") / 1000.0
    if takes.files:
        tuning, fit, notes = _from_takes(drum, takes, wish, order)
    else:
        tuning, fit, notes = _from_pitch(drum, wish, order), None, ()
    scan = pair.scan(tuning, list(RANGE))
    now = tuning.bottom_hz
    offset = 0.0 if now is None else pair.semitones_between(now, tuning.top_hz)
    reference = pair.scan(tuning, [offset])
    advice = pair_aims.rank(scan, aim, reference)
    targets = tuple(_target(tuning, scan, found.index, reference) for found in advice)
    head, tension = tuning.drum.top, tuning.top_tension
    return PairJob(
        tuning, scan, reference, aim, advice, targets,
        float(feel.stiffness(head, tension)), feel.contact_time(head, tension, mass=stick), fit,
        _cautions(tuning, scan, advice), notes,
    )  # fmt: skip


def _pitch(name: str, value: float | None) -> float | None:
    return None if value is None else within(name, value, 20.0, 1500.0, "Hz")


def _from_pitch(drum: TwoHeads, wish: Wish, order: int) -> Tuning:
    from drumtune.advice.pair import tune

    top = within("--top-hz", wish.top_hz, 20.0, 1500.0, "Hz (or give --top-take)")
    return tune(drum, top, order=order, bottom_hz=_pitch("--bottom-hz", wish.bottom_hz))


def _from_takes(drum: TwoHeads, takes: Takes, wish: Wish, order: int) -> tuple[Tuning, Fit, tuple[str, ...]]:
    """The drum as its three takes show it."""
    from drumtune.advice.pair import tune
    from drumtune.advice.pair_names import name_lines
    from drumtune.advice.pair_takes import fit
    from drumtune.errors import StandError
    from drumtune.physics.held_head import held_frequency
    from drumtune.physics.synthesis import EDGE_DECAY, LOSS_FACTOR
    from drumtune.physics.two_heads import BOTTOM, TOP

    if len(takes.files) < 3:
        raise StandError("takes come in threes: give --top-take, --bottom-take and --open-take, or none of them")
    near = (_pitch("--top-hz", wish.top_hz), _pitch("--bottom-hz", wish.bottom_hz))
    top, bottom, both = _listen(takes)
    named = name_lines(drum, top, bottom, both, near if order == 1 else (None, None))
    found = fit(drum, named)
    pitches = [
        float(held_frequency(found.drum, tension, order, head))
        for head, tension in ((TOP, found.top_tension), (BOTTOM, found.bottom_tension))
    ]
    tuning = tune(
        found.drum, pitches[TOP], order=order, bottom_hz=pitches[BOTTOM],
        loss=LOSS_FACTOR * found.loss_ratio, edge=EDGE_DECAY * found.loss_ratio,
    )  # fmt: skip
    return tuning, found, _remarks(found, near, pitches)


def _listen(takes: Takes) -> list[Lines]:
    from drumtune.advice.pair_lines import lines_of
    from drumtune.audio import read_take

    found = []
    for name, path in (("top", takes.top), ("bottom", takes.bottom), ("open", takes.both)):
        assert path is not None
        take = read_take([path], takes.channel)
        found.append(lines_of(take.samples, take.sample_rate, name))
    return found


def _remarks(found: Fit, near: tuple[float | None, float | None], pitches: list[float]) -> tuple[str, ...]:
    """Where measurement and model, or measurement and player, do not agree."""
    said = []
    worst = max(found.lines, key=lambda line: abs(line.cents))
    said.append(
        f"model and takes differ by {found.model_cents:.0f} cents rms, most in the {worst.line.take} take's "
        f"({worst.line.m},1) line: {worst.line.frequency:.1f} Hz measured, {worst.model_hz:.1f} Hz computed, "
        f"{worst.cents:+z.0f} cents"
    )
    if not any(line.line.m == 1 for line in found.lines):
        said.append("no (1,1) line was found: hit one hand's width from the middle too, for surer tensions")
    if not 0.4 <= found.loss_ratio <= 2.5:
        said.append(
            f"the open take dies {found.loss_ratio:.1f} times as fast as film and edge usually do: a damper, a "
            "hand, or glide in hard hits; the decay times above follow it"
        )
    for name, given, heard in zip(("top", "bottom"), near, pitches, strict=True):
        if given is not None and abs(1200.0 * math.log2(given / heard)) > 50.0:
            said.append(f"the {name} take says {heard:.1f} Hz, not the {given:.1f} Hz given: the take is used")
    return tuple(said)


def _target(tuning: Tuning, scan: Scan, i: int, reference: Scan) -> Target:
    from drumtune.advice.pair import turns_between

    hz = float(scan.bottom_hz[i])
    bottom = tuning.drum.bottom
    if tuning.bottom_hz is None or bottom is None:
        return Target(hz, None, None)
    turns, sd = turns_between(bottom, float(reference.bottom_tension[0]), float(scan.bottom_tension[i]))
    return Target(hz, turns, sd)


def _cautions(tuning: Tuning, scan: Scan, advice: tuple[Advice, ...]) -> tuple[str, ...]:
    from drumtune.advice.cautions import hearing_caution
    from drumtune.physics.film import safe_share, stress

    said = []
    if tuning.drum.top.thickness:
        share = float(safe_share(stress(tuning.top_tension, tuning.drum.top.thickness)))
        if share > 0.7:
            said.append(
                f"The top film is at {100 * share:.0f} % of its safe stress: go no higher without its maker's word."
            )
    if any(scan.stress[found.index] > 0.7 for found in advice):
        said.append("A bottom film near its safe stress, its hoop and its rods: the makers' limits come before this.")
    return (*said, hearing_caution())
