"""What docstrings say holds: files they name exist, and what can be refused is told under Raises."""

import ast
import re
from pathlib import Path

import pytest

import drumtune

PACKAGE = Path(drumtune.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
NAMES = {path.name for folder in (PACKAGE, Path(__file__).parent, *PACKAGE.parent.glob("samples_demo"))
         for path in folder.rglob("*.py")}  # fmt: skip


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_file_that_is_named_is_there(path):
    named = set(re.findall(r"\b\w+\.py\b", path.read_text(encoding="utf-8")))
    assert named <= NAMES


def raising(tree):
    """Public functions of a module that raise, themselves or in a private function they call, and do not say so."""
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    raisers = {one.name for one in functions if any(isinstance(node, ast.Raise) and node.exc for node in ast.walk(one))}
    hidden = {name for name in raisers if name.startswith("_")}
    for one in functions:
        called = {
            node.func.id for node in ast.walk(one) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        if not one.name.startswith("_") and (one.name in raisers or called & hidden):
            yield one.name, ast.get_docstring(one) or ""


@pytest.mark.parametrize("part", ["physics", "dsp", "advice"])
def test_what_can_be_refused_is_told(part):
    for path in sorted((PACKAGE / part).rglob("*.py")):
        silent = [name for name, said in raising(ast.parse(path.read_text(encoding="utf-8"))) if "Raises" not in said]
        assert silent == [], path
