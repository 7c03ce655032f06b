"""Where the takes of the independent simulator are."""

from pathlib import Path

import pytest


@pytest.fixture
def data_takes():
    return Path(__file__).parents[1] / "data" / "taps"
