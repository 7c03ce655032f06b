"""The log's file: what may befall it gives one clear line and changes nothing; nothing committed is lost."""

import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from log_material import add, new

from drumtune.store import LogError, default_path, opened, queries
from drumtune.store.file import copy_path
from drumtune.store.schema import APPLICATION_ID, MIGRATIONS, Migration, version

HERE = Path(__file__).parent
KILLS = 6
WRITES = 200
WRITER = """
import sys
sys.path.insert(0, sys.argv[1])
import log_material
from pathlib import Path
for i in range(int(sys.argv[4]), int(sys.argv[4]) + int(sys.argv[5])):
    number = log_material.add(Path(sys.argv[2]), f"{sys.argv[3]}-{i}.wav")
    print(i, number, flush=True)
"""


def writer(path, name, start, count, **how):
    """A process that logs takes and prints the number of each one that was acknowledged."""
    command = [sys.executable, "-c", WRITER, str(HERE), str(path), name, str(start), str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how)


def content(path):
    return {file.name: file.read_bytes() for file in path.parent.iterdir() if file.is_file()}


@pytest.fixture
def log(tmp_path):
    return new(tmp_path / "log.sqlite3")


def names(path):
    with opened(path) as connection:
        assert queries.faults(connection) == ()
        return [name for (name,) in connection.execute("SELECT file_name FROM take_files ORDER BY take_id")]


def test_a_new_log_is_marked_numbered_and_in_write_ahead_mode(log):
    assert log.read_bytes()[68:72] == APPLICATION_ID.to_bytes(4, "big")
    assert [path.name for path in log.parent.iterdir()] == ["log.sqlite3"]
    with opened(log, writing=True) as connection:
        assert version(connection) == MIGRATIONS[-1].number
        assert connection.execute("SELECT number FROM migrations").fetchall() == [(m.number,) for m in MIGRATIONS]
        settings = {name: connection.execute(f"PRAGMA {name}").fetchone()[0] for name in
                    ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")}  # fmt: skip
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 20000}


def test_the_log_is_where_the_environment_says(monkeypatch, tmp_path):
    monkeypatch.setenv("DRUMTUNE_LOG", str(tmp_path / "mine.sqlite3"))
    assert default_path() == tmp_path / "mine.sqlite3"
    monkeypatch.delenv("DRUMTUNE_LOG")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path().name == "log.sqlite3"


def test_reading_writes_nothing_not_even_beside_the_log(log):
    add(log)
    before, time = content(log), log.stat().st_mtime_ns
    with opened(log) as connection:
        assert len(queries.entries(connection)) == 1
        with pytest.raises(LogError, match="nothing was changed"), opened(log) as inner:
            inner.execute("DELETE FROM takes")
    assert (content(log), log.stat().st_mtime_ns) == (before, time)


def test_every_acknowledged_take_outlives_a_kill_at_any_moment(log):
    """200 writes by processes killed (SIGKILL) at random moments; what was printed must be in the log afterwards."""
    rng = random.Random(5)
    acknowledged, start, kills = [], 0, 0
    while start < WRITES:
        child = writer(log, "kill", start, WRITES - start)
        left = rng.randint(1, 2 * WRITES // KILLS) if kills < KILLS else WRITES
        for line in child.stdout:
            start = int(line.split()[0]) + 1
            acknowledged.append(start - 1)
            left -= 1
            if left == 0:
                for _ in range(rng.randint(0, 60000)):  # somewhere within the next write
                    pass
                child.send_signal(signal.SIGKILL)
        child.communicate()
        acknowledged_now = {f"kill-{i}.wav" for i in acknowledged}
        kept = names(log)
        assert acknowledged_now <= set(kept)
        kills += child.returncode == -signal.SIGKILL
        start = max(int(name.split("-")[1].split(".")[0]) for name in kept) + 1
    assert kills >= KILLS // 2
    assert sorted(names(log)) == sorted(f"kill-{i}.wav" for i in range(WRITES))


def test_two_processes_writing_at_once_lose_nothing(log):
    children = [writer(log, name, 0, 40) for name in ("one", "two")]
    for child in children:
        _, err = child.communicate()
        assert (child.returncode, err) == (0, "")
    assert sorted(names(log)) == sorted(f"{name}-{i}.wav" for name in ("one", "two") for i in range(40))


def test_many_making_the_same_new_log_at_once_agree_on_one(tmp_path):
    path = tmp_path / "log.sqlite3"

    def touch(_):
        with opened(path, writing=True) as connection:
            return version(connection)

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(touch, range(8))) == [MIGRATIONS[-1].number] * 8
    with opened(path) as connection:
        assert queries.faults(connection) == ()
    assert {path.name for path in tmp_path.iterdir()} <= {"log.sqlite3", "log.sqlite3-wal", "log.sqlite3-shm"}


def refused(path, words, *, writing=(False, True)):
    """Opening gives one line with these words, and no file changes."""
    before = content(path)
    for way in writing:
        with pytest.raises(LogError, match=words) as failure, opened(path, writing=way):
            pytest.fail("it was opened")
        assert "\n" not in str(failure.value)
    assert content(path) == before


def test_a_file_that_is_no_log_is_left_as_it_is(tmp_path):
    for name, data in (("text", b"some words " * 50), ("empty", b""), ("sound", b"RIFF\x00\x00WAVE")):
        (tmp_path / name).write_bytes(data)
        refused(tmp_path / name, "is no log of drumtune")


def test_a_database_of_another_program_is_left_as_it_is(tmp_path):
    path = tmp_path / "other.sqlite3"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE takes (take_id INTEGER)")
    other.close()
    refused(path, "database of some other program")


def test_a_newer_log_is_refused(log):
    with opened(log, writing=True) as connection:
        connection.execute(f"PRAGMA user_version = {MIGRATIONS[-1].number + 1}")
    refused(log, "newer than this drumtune knows")


@pytest.mark.parametrize("part", ["cut", "garbled", "first page"])
def test_a_damaged_log_is_refused_and_left_as_it_is(log, part):
    for i in range(6):
        add(log, f"{i}.wav")
    data = bytearray(log.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    if part == "cut":
        data = data[: len(data) // 2]
    elif part == "garbled":
        for page in range(1, len(data) // size):
            data[page * size : page * size + 64] = bytes(range(64))
    else:
        data[100:180] = b"\xff" * 80
    log.write_bytes(data)
    refused(log, "damaged")


def test_a_folder_in_place_of_the_log_is_refused(tmp_path):
    with pytest.raises(LogError, match="no plain file"), opened(tmp_path):
        pytest.fail("it was opened")


def test_a_log_that_is_not_there_is_not_made_by_reading(tmp_path):
    with pytest.raises(LogError, match="there is no log at"), opened(tmp_path / "none.sqlite3"):
        pytest.fail("it was opened")
    assert list(tmp_path.iterdir()) == []


LAST = MIGRATIONS[-1].number
NEXT = Migration(LAST + 1, "a column more", "ALTER TABLE drums ADD COLUMN colour TEXT;\nCREATE TABLE extra (a INTEGER)")


def test_a_migration_keeps_everything_and_a_copy_of_the_file_before(log):
    add(log)
    with pytest.raises(LogError, match="older than this drumtune"), opened(log, migrations=(*MIGRATIONS, NEXT)):
        pytest.fail("it was opened")
    with opened(log, writing=True, migrations=(*MIGRATIONS, NEXT)) as connection:
        assert version(connection) == LAST + 1
        assert connection.execute("SELECT number, name FROM migrations").fetchall()[-1] == (LAST + 1, "a column more")
        assert len(queries.numbers(connection)) == 1
    refused(log, "newer than this drumtune knows")
    assert names(copy_path(log, LAST)) == ["a.wav"]


@pytest.mark.parametrize("bad", ["CREATE TABLE extra (a INTEGER);\nno SQL", "CREATE TABLE extra (a);\nDROP TABLE none"])
def test_a_migration_that_fails_leaves_the_log_as_it_was(log, bad):
    add(log)
    with pytest.raises(LogError, match="nothing was changed"):  # noqa: SIM117
        with opened(log, writing=True, migrations=(*MIGRATIONS, Migration(LAST + 1, "bad", bad))):
            pytest.fail("it was opened")
    with opened(log) as connection:
        assert version(connection) == LAST
        assert not connection.execute("SELECT name FROM sqlite_schema WHERE name = 'extra'").fetchall()
    assert names(log) == ["a.wav"]


def test_a_migration_that_sqlite_ends_by_itself_tells_its_own_reason(log):
    bad = "INSERT OR ROLLBACK INTO migrations SELECT * FROM migrations"
    with pytest.raises(LogError, match="UNIQUE constraint failed"):  # noqa: SIM117
        with opened(log, writing=True, migrations=(*MIGRATIONS, Migration(LAST + 1, "bad", bad))):
            pytest.fail("it was opened")


def test_two_programs_bringing_a_log_up_at_once_do_it_once(log):
    def bring(_):
        with opened(log, writing=True, migrations=(*MIGRATIONS, NEXT)) as connection:
            return connection.execute("SELECT count(*) FROM migrations").fetchone()[0]

    with ThreadPoolExecutor(6) as pool:
        assert list(pool.map(bring, range(6))) == [LAST + 1] * 6


def test_a_full_disk_gives_one_line_and_changes_nothing(log):
    """The limit on the size of files (RLIMIT_FSIZE) makes the system refuse to write on, as a full disk does."""
    add(log)
    before = names(log)
    limit = log.stat().st_size + 8192

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    child = writer(log, "more", 0, 200, preexec_fn=narrow)
    out, err = child.communicate()
    assert child.returncode == 1
    assert "LogError: cannot write the log" in err.splitlines()[-1]
    assert "nothing was changed" in err.splitlines()[-1]
    assert names(log) == before + [f"more-{line.split()[0]}.wav" for line in out.splitlines()]


def test_a_new_log_on_a_full_disk_leaves_nothing_behind(tmp_path):
    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    child = writer(tmp_path / "log.sqlite3", "more", 0, 1, preexec_fn=narrow)
    assert "LogError: cannot write the log" in child.communicate()[1].splitlines()[-1]
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def small_disk():
    """A file system of 300 kB, where the system lets us make one."""
    folder = Path(tempfile.mkdtemp(prefix="drumtune-small-"))
    mount = shutil.which("mount")
    done = mount and subprocess.run([mount, "-t", "tmpfs", "-o", "size=300k", "tmpfs", folder], capture_output=True)
    if not done or done.returncode:
        folder.rmdir()
        pytest.skip("needs the right to mount a small file system")
    yield folder
    subprocess.run(["umount", folder], check=True)
    folder.rmdir()


def test_a_really_full_disk_gives_one_line_and_changes_nothing(small_disk):
    log = new(small_disk / "log.sqlite3")
    child = writer(log, "more", 0, 200)
    out, err = child.communicate()
    assert "LogError: cannot write the log" in err.splitlines()[-1]
    assert "nothing was changed" in err.splitlines()[-1]
    assert names(log) == [f"more-{line.split()[0]}.wav" for line in out.splitlines()]
    assert len(names(log)) > 0


@pytest.fixture
def locked_folder(log):
    """The log in a folder that the user of a child process may not write to. Root may write anywhere, so the child
    is another user then."""
    folder = Path(tempfile.mkdtemp(prefix="drumtune-locked-"))
    shutil.copy(log, folder / "log.sqlite3")
    (folder / "log.sqlite3").chmod(0o444)
    folder.chmod(0o555)
    yield folder / "log.sqlite3"
    folder.chmod(0o755)
    shutil.rmtree(folder)


NO_ONE = """
import os, sys
from pathlib import Path
from drumtune.store import opened, queries
if os.geteuid() == 0:  # root may write anywhere: become a user without rights
    os.setgid(65534)
    os.setuid(65534)
with opened(Path(sys.argv[1]), writing=len(sys.argv) > 2) as connection:
    connection.execute("BEGIN IMMEDIATE" if len(sys.argv) > 2 else "SELECT 1")
    print(len(queries.stands(connection)))
"""


def run_as_no_one(*arguments):
    command = [sys.executable, "-c", NO_ONE, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True)


def test_a_folder_that_may_not_be_written_to_is_read_all_the_same(locked_folder):
    done = run_as_no_one(locked_folder)
    assert (done.stdout, done.stderr) == ("1\n", "")


def test_a_folder_that_may_not_be_written_to_is_not_written_to(locked_folder):
    before = content(locked_folder)
    for path in (locked_folder, locked_folder.with_name("new.sqlite3"), locked_folder.parent / "sub" / "new.sqlite3"):
        done = run_as_no_one(path, "writing")
        assert done.returncode == 1
        assert "LogError: cannot write the log" in done.stderr.splitlines()[-1]
        assert "choose another place with --log" in done.stderr.splitlines()[-1]
    assert content(locked_folder) == before
