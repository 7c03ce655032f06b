"""The two heads of a real drum, from three takes: top alone, bottom alone, both free.

"Alone" means with the other head held still under a flat hand or cloth. The named lines of
`drumtune.advice.pair_names` are fitted twice: the four
(0,1) lines by the two-mass model, which knows nothing of films and shell, for the coupling; and all lines by the full
model, with both tensions and this drum's air (its spring and its mass) free. Frequencies in Hz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from drumtune.advice.pair_names import Named
from drumtune.advice.pair_state import TAKES, State, expected_lines, fit_state, with_air
from drumtune.errors import TakeError
from drumtune.notes import cents
from drumtune.physics import cavity, held_head, two_heads
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads

GLIDE_SD = 2.0
"""What a line's frequency is worth at best, cents: hits differ, and pitch glides (our own estimate)."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A measured line beside the fitted model's (Hz) and their difference in cents, measured less model."""

    line: Named
    model_hz: float
    cents: float


@dataclass(frozen=True, slots=True)
class Fit:
    """What the takes say of a drum.

    Parameters
    ----------
    coupling, coupling_sd
        Hz, from the two-mass model and the four (0,1) lines.
    residual_cents
        Rms of what the two-mass model leaves of those lines, cents.
    drum, top_tension, bottom_tension
        The described drum with its own air as fitted; tensions in N/m.
    spring, load
        The air's spring and mass over those of free air in the described shell.
    model_cents
        Rms difference of the full model from all named lines.
    loss_ratio
        Measured over modelled internal loss of the open drum, by which the internal losses are to be multiplied.
    lines
        Every named line beside the model's.
    """

    coupling: float
    coupling_sd: float
    residual_cents: float
    drum: TwoHeads
    top_tension: float
    bottom_tension: float
    spring: float
    load: float
    model_cents: float
    loss_ratio: float
    lines: tuple[Compared, ...]


def two_mass_fit(named: tuple[Named, ...]) -> tuple[float, float, float]:
    """Coupling (Hz), its standard deviation and the rms residual (cents) of the two-mass model on four (0,1) lines.

    Least squares over fA, fB and the coupling; the deviation is scaled up where the lines miss the model by more than
    their own errors.
    """
    lines = [line for line in named if line.m == 0]
    measured = np.array([line.frequency for line in lines])
    sd = np.array(
        [max(line.frequency_sd, line.frequency * math.expm1(GLIDE_SD * math.log(2) / 1200)) for line in lines]
    )
    a, b, low, high = measured
    start = max(float(cavity.two_mass_coupling(a, b, low, high)), 0.02 * math.sqrt(a * b))
    ceiling = 0.999 * math.sqrt(a * b)

    def misfit(x: NDArray[np.float64]) -> NDArray[np.float64]:
        kappa = min(abs(float(x[2])), 0.9999 * math.sqrt(abs(x[0] * x[1])))
        return np.asarray((np.array([x[0], x[1], *cavity.two_mass_pair(x[0], x[1], kappa)]) - measured) / sd)

    found = least_squares(misfit, [a, b, min(start, ceiling)], x_scale=[a, b, max(start, 1.0)])
    slope = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slope.T @ slope)
    scale = max(1.0, math.sqrt(2.0 * found.cost))  # one line more than unknowns
    missed = cents(measured, measured + found.fun * sd)
    kappa = abs(float(found.x[2]))
    return kappa, scale * math.sqrt(float(covariance[2, 2])), float(np.sqrt(np.mean(missed**2)))


def fit(drum: TwoHeads, named: tuple[Named, ...]) -> Fit:
    """Fit tensions and air of a drum to its named lines, and the two-mass coupling.

    Raises
    ------
    TakeError
        If no tension of a described head gives its lines.
    """
    coupling, coupling_sd, residual = two_mass_fit(named)
    heard = [{(n.m, n.place): n.frequency for n in named if n.take == take} for take in TAKES]
    state = fit_state(drum, heard, fit_state(drum, heard, State(*_start(drum, named))))
    expected = dict(zip(TAKES, expected_lines(drum, state, (0, 1)), strict=True))
    lines = tuple(_compared(line, expected[line.take][line.m, line.place]) for line in named)
    own = with_air(drum, state.spring, state.load)
    return Fit(
        coupling, coupling_sd, residual, own, state.top, state.bottom, state.spring, state.load,
        float(np.sqrt(np.mean([line.cents**2 for line in lines]))),
        _loss_ratio(own, state.top, state.bottom, named), lines,
    )  # fmt: skip


def _compared(line: Named, modelled: float) -> Compared:
    return Compared(line, modelled, float(cents(line.frequency, modelled)))


def _start(drum: TwoHeads, named: tuple[Named, ...]) -> tuple[float, float]:
    """First guess of both tensions: from (1,1) where there is one, which the air's spring does not touch."""
    guesses = []
    for head, take in ((TOP, "top"), (BOTTOM, "bottom")):
        lines = {line.m: line.frequency for line in named if line.take == take}
        m = max(lines)
        tension = float(held_head.held_tension(drum, lines[m], m, head))
        if tension <= 0.0:
            raise TakeError(
                f"the {take} take's ({m},1) line at {lines[m]:.1f} Hz fits no tension of this head on this shell: "
                "check diameter, depth and films",
                reason="stand",
            )
        guesses.append(tension)
    return guesses[0], guesses[1]


def _loss_ratio(drum: TwoHeads, top: float, bottom: float, named: tuple[Named, ...]) -> float:
    """Factor on the internal losses that makes the open drum ring as long as it does, 0.2...5.

    The median over its low (0,1) and its (1,1) lines: one that glide or room has split does not decide. The upper
    (0,1) hangs on radiation and is left out.
    """
    ratios = []
    for line in named:
        if line.take == "open" and (line.m, line.place) != (0, 1):
            found = two_heads.pair(drum, top, bottom, line.m)
            ratios.append((line.decay_rate - found.radiated[line.place]) / found.internal[line.place])
    return float(np.clip(np.median(ratios), 0.2, 5.0))
