"""Large letters for the terminal: five rows of blocks, two columns to a block, so that they are read from afar."""

from __future__ import annotations

ROWS = 5
_BLOCK = "██"
_SHAPES = {
    "0": "### #.# #.# #.# ###", "1": ".#. ##. .#. .#. ###", "2": "### ..# ### #.. ###", "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#", "5": "### #.. ### ..# ###", "6": "### #.. ### #.# ###", "7": "### ..# .#. .#. .#.",
    "8": "### #.# ### #.# ###", "9": "### #.# ### ..# ###", "R": "##. #.# ##. #.# #.#", "O": "### #.# #.# #.# ###",
    "D": "##. #.# #.# #.# ##.", "E": "### #.. ##. #.. ###", "A": ".#. #.# ### #.# #.#", "N": "#..# ##.# #.## #..# #..#",
    "V": "#.# #.# #.# #.# .#.", "?": "### ..# .#. ... .#.", " ": ".. .. .. .. ..",
}  # fmt: skip


def large(text: str, width: int) -> str:
    """Text in large letters, as lines of no more than `width` columns; spaced out where it does not fit or is unknown.

    Examples
    --------
    >>> print(large("1", 20))
      ██
    ████
      ██
      ██
    ██████
    """
    if any(letter not in _SHAPES for letter in text):
        return "  ".join(text)
    shapes = [_SHAPES[letter].split() for letter in text]
    lines = ["  ".join(_drawn(shape[row]) for shape in shapes).rstrip() for row in range(ROWS)]
    return "\n".join(lines) if max(map(len, lines)) <= width else "  ".join(text)


def _drawn(row: str) -> str:
    return "".join(_BLOCK if point == "#" else "  " for point in row)
