"""JSON as every command prints it: strict, so that what is not there or not finite is null, and readable."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any


def dumps(document: Mapping[str, Any]) -> str:
    """One object as text; letters beyond ASCII stay as they are.

    Raises
    ------
    ValueError
        If a number in it is not finite: pass it through `number` first.
    """
    return json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False)


def number(value: float | None, digits: int) -> float | None:
    """Round a number for the eye; None where there is none or it is not finite. Adding zero turns -0.0 into 0.0."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0
