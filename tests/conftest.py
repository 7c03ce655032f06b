"""What tests of pictures and of the command share: a reading made by hand, a way to run the command."""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy is loaded; the commands do the same

import numpy as np
import pytest

from drumtune.advice.reading import ModeReading, Reading, RodReading
from drumtune.drum import INCH, Drum, Head
from drumtune.physics import synthesis


@pytest.fixture(scope="session")
def made_reading():
    """A reading made by hand: eight rods, pulls that sum to zero, a field that agrees with them."""

    def make(pulls=(10.0, -30.0, 20.0, 5.0, -5.0, 40.0, -20.0, -20.0), verdict="uneven"):
        drum = Drum(Head.of_film(7 * INCH, 10), len(pulls))
        lines = ((187.0, -3.0), (262.5, 0.0), (334.0, -12.0))
        rods = tuple(RodReading(i + 1, pull, 3.0 + i, 187.0 + 0.1 * i, 3, lines) for i, pull in enumerate(pulls))
        modes = (
            ModeReading(0, 1, 101.0, 0.2, 0.4),
            ModeReading(1, 1, 186.5, 0.05, 0.9),
            ModeReading(1, 1, 187.5, 0.05, 0.9),
            ModeReading(2, 1, 262.5, 0.05, float("inf")),
        )
        field = synthesis.field_of(pulls)
        spread = float(np.ptp(pulls))
        reasons = ("taps of one rod disagree",) if verdict == "unsure" else ()
        return Reading(drum, rods, modes, np.diag(np.arange(3.0, 3.0 + len(pulls)) ** 2), 1400.0, field, 0.5, spread,
                       4.0, verdict, reasons, 0.3, ("hum at 50 Hz was taken out",))  # fmt: skip

    return make


@pytest.fixture
def command(monkeypatch, capsys):
    """Run the command line in this process: status, what went to stdout, what to stderr."""
    from drumtune.cli import main

    def run(*words):
        monkeypatch.setattr("sys.argv", ["drumtune", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            main()
        printed = capsys.readouterr()
        return stop.value.code, printed.out, printed.err

    return run
