"""A file imports only from folders before its own: the picture of DEVELOPERS.md as a check.

Every import counts, wherever it stands. A module without a row fails. The check itself is proven able to fail.
"""

import ast
import sys
from pathlib import Path

import pytest

import drumtune
from drumtune.cli import COMMANDS

PACKAGE = Path(drumtune.__file__).parent

WORDS = {"errors", "notes", "drum", "stand"}
THOUGHT = WORDS | {"physics", "dsp", "advice"}
FIELD = {"numpy", "scipy", "librosa"}
ROWS = {
    # part: (parts it may import besides itself, packages of others it may import)
    "errors": (set(), set()),
    "notes": (WORDS, {"numpy"}),
    "drum": (WORDS, {"numpy"}),
    "stand": (WORDS, set()),
    "physics": (WORDS, FIELD),
    "dsp": (WORDS, FIELD),
    "advice": (WORDS | {"physics", "dsp"}, FIELD),
    "files": (WORDS, set()),
    "kitfile": (WORDS | {"files"}, set()),
    "decode": (WORDS, {"numpy", "soundfile", "av"}),
    "source": (WORDS | {"decode"}, {"numpy"}),
    "audio": (THOUGHT | {"files", "source"}, {"numpy", "soundfile"}),
    "streamed": (THOUGHT | {"source", "audio"}, {"numpy"}),
    "store": (THOUGHT | {"files"}, {"numpy", "platformdirs"}),
    "plots": (THOUGHT | {"files"}, {"numpy", "matplotlib"}),
    "report": (THOUGHT | {"files", "plots"}, {"numpy", "matplotlib", "jinja2", "markupsafe"}),
    "session": (THOUGHT | {"files"}, {"numpy"}),
    "live": (THOUGHT | {"session"}, {"numpy", "sounddevice"}),
    "web": (
        THOUGHT | {"files", "kitfile", "audio", "store", "plots", "report", "session"},
        {"numpy", "starlette", "uvicorn", "cryptography"},
    ),
    "cli": (
        THOUGHT
        | {"files", "kitfile", "source", "audio", "streamed", "store", "plots", "report", "session", "live", "web"},
        {"numpy", "typer", "rich", "sounddevice", "platformdirs"},
    ),
}
IMPURE = {
    "builtins", "datetime", "io", "logging", "matplotlib", "os", "pathlib", "random", "shutil", "socket", "sqlite3",
    "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
PURE = {"physics", "dsp", "advice", "notes", "drum", "stand"}
"""Parts that touch no file, clock, database, terminal or hidden random state."""


def imports(tree):
    """All modules that a tree imports, with line numbers; `from a import b` counts as a.b."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            found += [(f"{base}.{alias.name}", node.lineno) for alias in node.names]
    return found


def faults(part, source):
    """What a module of `part` imports against its row, one sentence each."""
    if part not in ROWS:
        return [f"{part} has no row in the import table"]
    parts, packages = ROWS[part]
    said = []
    for name, line in imports(ast.parse(source)):
        first, _, rest = name.partition(".")
        if first == "drumtune":
            inner = rest.partition(".")[0]
            if inner not in parts | {part, "", "__version__"}:  # the package itself holds its version only
                said.append(f"line {line}: {part} imports drumtune.{inner}")
        elif first in sys.stdlib_module_names:
            if part in PURE and first in IMPURE:
                said.append(f"line {line}: {part} imports {first}, but it is pure")
        elif first not in packages:
            said.append(f"line {line}: {part} imports {first}")
    return said


def top(source):
    """Modules imported when a module is loaded: those at its top, not those inside functions."""
    body = [node for node in ast.parse(source).body if isinstance(node, ast.Import | ast.ImportFrom)]
    return [name for name, _ in imports(ast.Module(body=body, type_ignores=[]))]


def heavy(source):
    """Modules imported at the top besides typer, the standard library and drumtune.cli."""
    light = sys.stdlib_module_names | {"typer"}
    return [name for name in top(source) if name.split(".")[0] not in light and not name.startswith("drumtune.cli")]


def loaded_at_start(commands, sources):
    """Names of the modules of drumtune.cli that are loaded before any command runs: commands and what they pull in."""
    found, waiting = set(), [*commands, "__init__"]
    while waiting:
        name = waiting.pop()
        if name in found or name not in sources:
            continue
        found.add(name)
        waiting += [word for module in top(sources[name]) for word in module.split(".") if word in sources]
    return found


def part_of(path):
    """Name of the part a file belongs to: its folder under the package, or its own name."""
    inside = path.relative_to(PACKAGE)
    return inside.parts[0].removesuffix(".py")


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_only_from_parts_before_its_own(path):
    if "samples_demo" not in path.parts:  # data of the installed package
        assert faults(part_of(path), path.read_text(encoding="utf-8")) == []


def test_a_command_imports_its_work_only_when_called():
    sources = {path.stem: path.read_text(encoding="utf-8") for path in (PACKAGE / "cli").glob("*.py")}
    loaded = loaded_at_start(COMMANDS, sources)
    assert loaded >= set(COMMANDS)
    assert {name: heavy(sources[name]) for name in loaded if heavy(sources[name])} == {}


@pytest.mark.parametrize(
    ("part", "source"),
    [
        ("physics", "from drumtune.dsp import taps"),
        ("dsp", "import drumtune.physics.modes"),
        ("dsp", "def f():\n    from drumtune.physics import modes\n"),
        ("advice", "from drumtune import plots"),
        ("advice", "import time"),
        ("advice", "from pathlib import Path"),
        ("physics", "import matplotlib.pyplot"),
        ("plots", "from drumtune.cli import words"),
        ("errors", "from drumtune.notes import cents"),
        ("audio", "from . import store"),
        ("novelty", "import math"),
    ],
)
def test_the_check_sees_an_import_against_the_table(part, source):
    assert len(faults(part, source)) == 1


def test_the_check_lets_pass_what_the_table_allows():
    assert faults("advice", "import math\nimport numpy as np\nfrom drumtune.physics import modes\n") == []
    assert faults("cli", "from drumtune import __version__\nfrom drumtune.plots.style import save\n") == []


def test_the_check_sees_work_imported_at_the_top_of_a_command():
    assert heavy("import numpy as np\nimport typer\n") == ["numpy"]
    assert heavy("from drumtune.plots import style\n") == ["drumtune.plots.style"]
    assert heavy("import typer\ndef f():\n    import numpy\n") == []


def test_the_check_follows_what_a_command_pulls_in():
    sources = {"a": "from drumtune.cli import b", "b": "import numpy", "c": "import numpy", "__init__": ""}
    assert loaded_at_start(["a"], sources) == {"a", "b", "__init__"}
