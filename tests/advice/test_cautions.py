"""Cautions: each at its border, for the state now and for the raise that is planned."""

import numpy as np
import pytest

from drumtune.advice.cautions import FILM_SHARE, OUT_OF_LINE, ROD_FORCE, SLACK_SHARE, cautions_for, hearing_caution
from drumtune.drum import INCH, Drum, Head
from drumtune.physics.film import STRESS_AT_5_PERCENT

EVEN, SURE = np.zeros(8), np.zeros((8, 8))
THIN, THICK = (Drum(Head.of_film(7.0 * INCH, mil), 8, "flanged") for mil in (3.0, 10.0))
FILM_LIMIT = FILM_SHARE * STRESS_AT_5_PERCENT * THIN.head.thickness
"""Tension (N/m) at which the thin film bears 70 % of its safe stress: T = share sigma h."""
FORCE_LIMIT = ROD_FORCE * 8 / (2.0 * np.pi * 7.0 * INCH)
"""Tension (N/m) at which each of eight rods bears 1000 N: 2 pi a T = 8 F."""


def at_rod(rod, cents):
    pattern = np.zeros(8)
    pattern[rod - 1] = cents
    return pattern


def told(drum, tension, x=EVEN, change=EVEN):
    return cautions_for(x, SURE, drum, tension, change, False)


@pytest.mark.parametrize(("drum", "limit", "says"), [
    (THIN, FILM_LIMIT, "the film bears"), (THICK, FORCE_LIMIT, "bears about 1000 N"),
])  # fmt: skip
@pytest.mark.parametrize(("pull", "raised"), [(0.0, 0.0), (25.0, 0.0), (0.0, 25.0), (-15.0, 40.0), (25.0, -60.0)])
def test_film_and_rods_are_judged_at_the_tightest_place_now_or_after_the_raise(drum, limit, says, pull, raised):
    """Tension goes as 2^(cents/600); what is to be lowered counts as it stands now."""
    tension = limit * 2.0 ** (-(pull + max(raised, 0.0)) / 600.0)
    x, change = at_rod(3, pull), at_rod(3, raised)
    assert told(drum, 0.999 * tension, x, change) == ()
    (caution,) = told(drum, 1.0001 * tension, x, change)
    assert says in caution
    if pull or raised:
        assert "rod 3 " in caution.lower()


def test_a_film_past_its_safe_stress_is_not_to_be_raised():
    safe = FILM_LIMIT / FILM_SHARE
    assert "head maker's word" in told(THIN, 0.999 * safe)[0]
    assert "lower the whole head" in told(THIN, 1.001 * safe)[0]


@pytest.mark.parametrize(("share", "slack"), [(1.01, False), (0.99, True)])
def test_a_rod_is_slack_under_three_quarters_of_the_mean_tension(share, slack):
    """2^(cents/600) = 3/4 at one end of a tilt, where no rod is far out of line with its neighbours."""
    x = 600.0 * np.log2(SLACK_SHARE * share) * (0.5 + 0.5 * np.cos(2.0 * np.pi * np.arange(8) / 8.0))
    assert [line[:14] for line in told(THICK, 2000.0, x)] == (["Rod 1 is slack"] if slack else [])


@pytest.mark.parametrize(("off", "sd", "named"), [(99.0, 0.0, False), (101.0, 0.0, True), (101.0, 40.0, False)])
def test_a_rod_is_out_of_line_by_its_distance_from_the_middle_of_its_neighbours(off, sd, named):
    """On a head tilted by 150 cents: pull less half the sum of both neighbours, over 100 cents and three deviations.

    Independent rods of 40 cents leave 40 sqrt(3/2) = 49 of that distance.
    """
    tilt = 150.0 * np.sin(2.0 * np.pi * np.arange(8) / 8.0)
    found = cautions_for(tilt + at_rod(1, off), sd**2 * np.eye(8), THICK, 2000.0, EVEN, False)
    assert OUT_OF_LINE == 100.0
    assert [line[:6] for line in found] == (["Rod 1 "] if named else [])
    assert not named or f"({off:+.0f} cents)" in found[0]


def test_a_steep_tilt_is_no_rod_out_of_line():
    """200 cos theta: the top rod lies 200 (1 - cos 45 degrees) = 59 cents over the middle of its neighbours."""
    tilt = 200.0 * np.cos(2.0 * np.pi * np.arange(8) / 8.0)
    assert not any("out of line" in line for line in told(THICK, 2000.0, tilt))


def test_the_ear_is_thought_of_only_while_more_taps_are_to_come():
    """NIOSH: 85 dBA for 8 hours, half the time for every 3 dB: 15 minutes at 100 dBA."""
    assert cautions_for(EVEN, SURE, THICK, 2000.0, EVEN, True) == (hearing_caution(),)
    assert "15 minutes" in hearing_caution()
    assert told(THICK, 2000.0) == ()
