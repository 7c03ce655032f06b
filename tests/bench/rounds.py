"""How many rounds a drum takes: the log's loop on hidden drums, beside a player who trusts the strongest line.

    python tests/bench/rounds.py takes FILE [--drums 30] [--line 30] [--rough] [--checked] [--seed 1]
    python tests/bench/rounds.py write FILE [FILE ...] [--drums 30]

`takes` plays rounds whose every reading is a take by the finite-element simulator of `make_takes`, which shares no code
with the package; what came of each drum is added to FILE (JSON lines) as it is done, and drums that are in it are not
played again. About 40 s of CPU per drum and player, 60 with moves checked. `write` adds rounds on drawn readings of as
many drums of each seed in the files, whose errors have the covariance that the readings there have: the players that
tell what limits the loop. It puts the figures into docs/accuracy.md, between its markers.

The hidden drums are those of docs/examples/rounds.py.
"""

from __future__ import annotations

import argparse
from pathlib import Path


def main() -> None:
    """Play, or add up and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("takes", "write"))
    parser.add_argument("file", type=Path, nargs="+")
    parser.add_argument("--drums", type=int, default=30)
    parser.add_argument("--line", type=int, default=30, help="drums that the other player plays too")
    parser.add_argument("--rough", action="store_true", help="taps that scatter more")
    parser.add_argument("--checked", action="store_true", help="moves checked by taps at each rod just turned")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if asked.what == "takes":
        from rounds_play import play_takes

        play_takes(asked.file[0], asked.drums, asked.line, asked.seed, rough=asked.rough, checked=asked.checked)
    else:
        from rounds_page import write

        write(asked.file, asked.drums)


if __name__ == "__main__":
    main()
