"""Where the material of the targets lies."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / place) for place in ("", "robust", "store")]
