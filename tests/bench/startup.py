"""Start-up of the command beside a bare `import numpy`, in CPU time: ``python tests/bench/startup.py``.

Runs are interleaved and medians compared, so that a busy machine slows both alike. Exits with 1 beyond the limit.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
from pathlib import Path

LIMIT = 3.0
"""Times a bare `import numpy` that `drumtune --help` may take."""
RUNS = 15


def cpu_seconds(command: list[str]) -> float:
    """CPU time of a child, user and system."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def main() -> int:
    """Measure, print, judge."""
    command = Path(sys.executable).with_name("drumtune")
    ours, bare = [], []
    for _ in range(RUNS):
        bare.append(cpu_seconds([sys.executable, "-c", "import numpy"]))
        ours.append(cpu_seconds([str(command), "--help"]))
    ratio = statistics.median(ours) / statistics.median(bare)
    print(
        f"drumtune --help {statistics.median(ours):.3f} s, import numpy {statistics.median(bare):.3f} s of CPU: "
        f"ratio {ratio:.2f}, wanted at most {LIMIT:.0f}"
    )
    return 0 if ratio <= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
