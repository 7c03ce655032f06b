"""Every block in the documents runs: `console` blocks here, Python examples as doctests, set-up commands by .ci/run."""

import re
import shlex
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
EXECUTED = {"console", "python", "pycon"}
SHOWN = {"sh": {"README.md", "DEVELOPERS.md"}, "text": {"DEVELOPERS.md"}}
"""Blocks that are not executed here, and the documents that may hold them."""


def blocks(text, kind):
    return [body for found, body in BLOCK.findall(text) if found == kind]


def steps(body):
    """Commands of a console block, each with the lines it should print."""
    found = []
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


def agrees(printed, wanted):
    """Whether printed text begins with the lines wanted, `...` standing for anything in a line."""
    lines = printed.splitlines()
    return len(lines) >= len(wanted) and all(
        fnmatchcase(line, want.replace("[", "[[]").replace("...", "*"))
        for line, want in zip(lines, wanted, strict=False)
    )


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_block_is_of_a_kind_that_is_executed(path):
    for kind, _ in BLOCK.findall(path.read_text(encoding="utf-8")):
        assert kind in EXECUTED or path.name in SHOWN.get(kind, ()), f"{path.name} has a block of kind {kind!r}"


@pytest.mark.parametrize("path", [path for path in DOCUMENTS if "```console" in path.read_text()], ids=lambda p: p.name)
def test_console_blocks_print_what_they_say(path, tmp_path, monkeypatch, capsys):
    from drumtune.cli import main

    monkeypatch.chdir(tmp_path)
    for body in blocks(path.read_text(encoding="utf-8"), "console"):
        for command, wanted in steps(body):
            monkeypatch.setattr("sys.argv", shlex.split(command))
            with pytest.raises(SystemExit) as stop:
                main()
            printed = capsys.readouterr()
            assert stop.value.code == 0, printed.err
            assert agrees(printed.out, wanted), f"{command}\nprinted:\n{printed.out}"


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_between_documents_lead_somewhere(path):
    for target in re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), f"{path.name} links to {target}"


def test_readme_holds_exactly_the_two_set_up_commands():
    """The wording is part of the main job's agreement: a fresh machine needs nothing else."""
    assert blocks((ROOT / "README.md").read_text(encoding="utf-8"), "sh") == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/drumtune demo\n",
        ".venv/bin/pip install '.[test]' && .venv/bin/pytest\n",
    ]


def test_the_comparison_can_fail():
    assert agrees("wrote a.wav: 3 s\nmore\n", ["wrote a.wav: ..."])
    assert not agrees("wrote b.wav: 3 s\n", ["wrote a.wav: ..."])
    assert not agrees("", ["wrote a.wav: ..."])
