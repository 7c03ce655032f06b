"""A command run with its hands tied: bounded memory, a guard against hanging, and its manner checked."""

import resource
import shutil
import signal

import doors
import odd_files
import pytest
import typer

import drumtune.cli
from drumtune.audio import read_take
from drumtune.errors import DrumtuneError
from drumtune.stand import parse_stand

MEMORY = 1_500_000_000
"""Bytes a command may take beyond what this process has."""
TIME = 120
"""Seconds after which a command hangs; far more than any takes."""
FLOOR = """[drum]
name = "floor"
diameter_in = 12
depth_in = 8
rods = 6
top = { film_mil = 10 }
bottom = { film_mil = 7.5 }
"""


class Hangs(BaseException):
    """Raised when time is up; no command catches it."""


def _hangs(*_):
    raise Hangs


def address_space():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[0]) * resource.getpagesize()


@pytest.fixture
def bounded():
    """Limits on memory and time while a test runs."""
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (address_space() + MEMORY, before[1]))
    guard = signal.signal(signal.SIGALRM, _hangs)
    yield lambda: signal.alarm(TIME)
    signal.alarm(0)
    signal.signal(signal.SIGALRM, guard)
    resource.setrlimit(resource.RLIMIT_AS, before)


@pytest.fixture
def out(tmp_path):
    (tmp_path / "out").mkdir()
    return tmp_path / "out"


@pytest.fixture(scope="session")
def parser():
    """The command line, built once: building it takes longer than most refusals."""
    return typer.main.get_command(drumtune.cli.build())


@pytest.fixture
def behaves(bounded, capfd, monkeypatch, out, parser):
    """Run a command and check its manner, whatever it is given; its status and the line on stderr.

    Status 0 or 2. With 2 one line on stderr, nothing on stdout and no file; with 0 nothing on stderr. Nothing half
    written is left either way. What C libraries print counts too.
    """

    monkeypatch.setattr("drumtune.cli.build", lambda: parser)

    def run(*words):
        monkeypatch.setattr("sys.argv", ["drumtune", *map(str, words)])
        capfd.readouterr()
        bounded()
        with pytest.raises(SystemExit) as stop:
            drumtune.cli.main()
        signal.alarm(0)
        printed, told = capfd.readouterr()
        files = sorted(path.name for path in out.rglob("*"))
        for path in out.iterdir():
            shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
        status = stop.value.code
        where = f"{' '.join(map(ascii, words))}: {status} {told!r} {files}"
        assert status in (0, 2), where
        assert not any(name.startswith(".") for name in files), where
        assert "Traceback" not in told, where
        assert "memory" not in told, where
        if status == 0:
            assert told == "", where
        else:
            assert (printed, files) == ("", []), where
            assert told.startswith("drumtune: "), where
            assert told.count("\n") == 1, where
            assert told.endswith("\n"), where
        return status, told

    return run


@pytest.fixture(scope="session")
def good(tmp_path_factory):
    """Good files for the other places of a command."""
    return doors.material(tmp_path_factory.mktemp("good"), parse_stand(FLOOR))


@pytest.fixture(scope="session")
def recordings(tmp_path_factory):
    """The corpus in two: recordings that are refused as such, and those that are read; {name: path}."""
    corpus = odd_files.audio(tmp_path_factory.mktemp("audio"))
    refused, read = {}, {}
    for name, path in corpus.items():
        try:
            read_take([path])
        except DrumtuneError:
            refused[name] = path
        else:
            read[name] = path
    return refused, read


@pytest.fixture(scope="session")
def texts(tmp_path_factory):
    return odd_files.texts(tmp_path_factory.mktemp("texts"))
