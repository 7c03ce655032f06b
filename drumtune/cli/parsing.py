"""What the parser says of words it cannot use, in the words of this program."""

from __future__ import annotations

UNITS = {"in": "in inches", "mm": "in mm", "m": "in m", "hz": "in Hz", "db": "in dB", "s": "in seconds", "g": "in g"}
"""How a number is measured, by the end of its option's name."""
SUCH_AS = {"in": "16", "hz": "150"}
"""A number such as is given for some of them."""


def words(failure: Exception, given: list[str]) -> str:
    """One line for a usage error of the parser; `given` are the words of the command line."""
    told = " ".join(str(getattr(failure, "format_message", failure.__str__)()).split())
    param = getattr(failure, "param", None)
    if param is not None and "unable to parse string" in told:
        name = param.opts[-1] if getattr(param, "opts", None) else str(param.name)
        return f"{name}: {_wanted(name, whole='integer' in told)}"
    if "unexpected extra argument" in told and "--aim" in given:
        place = given.index("--aim")
        if given[place + 1 : place + 2] == ["note"]:
            note = next(iter(given[place + 2 : place + 3]), "A2")
            return f"{told}: a note is one word with its name, in quotes: --aim 'note {note}'"
    return told


def _wanted(name: str, *, whole: bool) -> str:
    """What kind of number an option takes."""
    if whole:
        return "a whole number is wanted, such as 8"
    unit = name.replace("_", "-").rsplit("-", 1)[-1]
    measured = f" {UNITS[unit]}" if unit in UNITS else ""
    return f"a number{measured} is wanted, such as {SUCH_AS.get(unit, '2.5')}"
