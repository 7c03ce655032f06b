"""Polyester film against its maker's bulletin and against the laws of a stretched sheet."""

import numpy as np
import pytest

from drumtune.drum import Head
from drumtune.physics import air, film

MIL_WEIGHTS = {3.0: 0.1059, 7.0: 0.2471, 7.5: 0.2648, 10.0: 0.3531, 12.0: 0.4237}
"""kg/m2, computed from the bulletin's 1390 kg/m3."""


@pytest.mark.parametrize(("mil", "weight"), MIL_WEIGHTS.items())
def test_film_weighs_density_times_thickness(mil, weight):
    assert Head.of_film(0.1524, mil).surface_density == pytest.approx(weight, abs=6e-5)


def test_constants_are_those_of_the_makers_bulletin():
    # Mylar 92A physical properties: E 4.81/5.00 GPa, 98 MPa at 5 %, strength 196/235 MPa, expansion 1.7e-5 /K
    assert film.YOUNG == (4.81e9, 5.00e9)
    assert (film.STRESS_AT_5_PERCENT, film.STRENGTH, film.EXPANSION) == (98e6, 196e6, 1.7e-5)


def test_stress_at_five_percent_lies_below_what_the_modulus_alone_would_give():
    # the film yields before: 98 MPa against 0.05 E = 245 MPa, so it is a fair limit of safe stress
    assert film.STRESS_AT_5_PERCENT < 0.05 * film.YOUNG_MEAN
    assert float(film.safe_share(film.STRENGTH)) == pytest.approx(2.0)


def test_stress_is_tension_over_thickness():
    assert float(film.stress(3000.0, 254e-6)) == pytest.approx(11.811e6, rel=1e-4)


def test_stress_at_pitch_does_not_depend_on_thickness_without_air():
    # T and h both go with the mass: stress = density (2 pi a f / j)^2
    thin, thick = (Head.of_film(0.1524, mil) for mil in (3.0, 10.0))
    vacuum = air.Air(density=1e-12)
    a, b = (float(film.stress_at_pitch(head, 250.0, air=vacuum)) for head in (thin, thick))
    assert a == pytest.approx(b, rel=1e-6)
    assert a == pytest.approx(1390.0 * (2.0 * np.pi * 0.1524 * 250.0 / 3.83171) ** 2, rel=1e-5)


def test_air_adds_stress_at_the_same_pitch_and_more_so_to_thin_film():
    thin, thick = (Head.of_film(0.1524, mil) for mil in (3.0, 10.0))
    assert float(film.stress_at_pitch(thin, 250.0)) > float(film.stress_at_pitch(thick, 250.0))


def test_warmth_slackens_and_softness_softens_it():
    stiff, soft = (float(film.temperature_drift(254e-6, 10.0, softness=s)) for s in (1.0, 10.0))
    assert stiff == pytest.approx(10.0 * soft)
    # E h / (1 - nu) = 2.010 MN/m times 1.2e-4 of strain
    assert stiff == pytest.approx(-241.2, abs=0.2)
    assert float(film.temperature_drift(254e-6, -10.0)) == pytest.approx(-soft)


def test_a_shell_that_grows_as_the_film_keeps_the_pitch():
    assert float(film.temperature_drift(254e-6, 20.0, shell_expansion=film.EXPANSION)) == 0.0


def test_film_of_unknown_thickness_has_no_stress():
    with pytest.raises(ValueError, match="thickness must be positive"):
        film.stress(1000.0, 0.0)
