"""Whole or not at all, proved by failing and by killing at every single step."""

import errno
import os
import signal
import subprocess
import sys
from itertools import count
from pathlib import Path

import pytest

from scanproc.errors import OutputError
from scanproc.files.atomic import clear_leftovers, whole_directory, whole_file

STEPS = [
    (os, "fsync"),
    (os, "replace"),
    (os, "rename"),
    (os, "mkdir"),
    (Path, "write_bytes"),
    (Path, "write_text"),
]
OLD = {"a.txt": "old a", "deep/b.txt": "old b"}
NEW = {"a.txt": "new a, longer than before", "deep/b.txt": "new b", "c.txt": "new c"}


def content(path):
    if path.is_file():
        return path.read_text()
    if not path.exists():
        return None
    return {str(f.relative_to(path)): f.read_text() for f in path.rglob("*") if f.is_file()}


def fill(directory, files):
    for name, words in files.items():
        if not (directory / name).parent.is_dir():
            (directory / name).parent.mkdir()
        (directory / name).write_text(words)


def put_file(target):
    with whole_file(target) as draft:
        draft.write_text("new")


def refuse_strangers(target):
    if any(entry.name not in ("a.txt", "deep", "c.txt") for entry in target.iterdir()):
        raise OutputError("holds a stranger", path=target)


def put_directory(target):
    with whole_directory(target, refuse_strangers) as draft:
        fill(draft, NEW)


@pytest.fixture
def fail_at(monkeypatch):
    """Runs work whose n-th step fails as on a full disk; a failing write leaves half of its content behind.

    Returns what was said, or None when there were fewer steps.
    """

    def run(number, work, target):
        done = [0]
        with monkeypatch.context() as patch:
            for home, name in STEPS:
                patch.setattr(home, name, failing(getattr(home, name), number, done))
            try:
                work(target)
            except OutputError as error:
                return str(error)
        return None if done[0] < number else ""

    def failing(real, number, done):
        def step(*args, **options):
            done[0] += 1
            if done[0] != number:
                return real(*args, **options)
            if real.__name__.startswith("write_"):
                real(args[0], args[1][: len(args[1]) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")

        return step

    return run


@pytest.mark.parametrize("before", [None, "old"])
@pytest.mark.parametrize("kind", ["file", "directory"])
def test_any_step_may_fail(tmp_path, fail_at, kind, before):
    target = tmp_path / "result"
    put, old, new = (put_file, before, "new") if kind == "file" else (put_directory, before and OLD, NEW)
    for number in count(1):
        if before:
            target.write_text("old") if kind == "file" else (target.mkdir(), fill(target, OLD))
        said = fail_at(number, put, target)
        if said is None:
            break
        assert "No space left on device" in said
        assert "\n" not in said
        assert content(target) in (old, new)
        assert {entry.name for entry in tmp_path.iterdir()} <= {"result"}
        put(target)
        assert content(target) == new
        _remove(target)
    assert content(target) == new
    assert number > (4 if kind == "file" else 12)


def _remove(target):
    if target.is_file():
        target.unlink()
    else:
        for entry in sorted(target.rglob("*"), reverse=True):
            entry.rmdir() if entry.is_dir() else entry.unlink()
        target.rmdir()


KILLED = """
import os, signal, sys
from pathlib import Path
from scanproc.files.atomic import whole_directory
left = int(sys.argv[2])
def dying(real):
    def step(*args, **options):
        global left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **options)
    return step
for name in ("fsync", "rename", "replace", "mkdir", "open"):
    setattr(os, name, dying(getattr(os, name)))
with whole_directory(Path(sys.argv[1]), lambda target: None) as draft:
    (draft / "a.txt").write_text("new")
"""


def test_a_kill_at_any_step_leaves_old_or_new_and_the_next_start_completes(tmp_path):
    target = tmp_path / "result"
    states = set()
    for number in count(1):
        target.mkdir(exist_ok=True)
        (target / "a.txt").write_text("old")
        done = subprocess.run([sys.executable, "-c", KILLED, str(target), str(number)], check=False)
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL
        states.add(str(content(target)))
        clear_leftovers(target)
        assert content(target) in ({"a.txt": "old"}, {"a.txt": "new"})
        assert [entry.name for entry in tmp_path.iterdir()] == ["result"]
    assert states == {"{'a.txt': 'old'}", "{'a.txt': 'new'}", "None"}  # None: caught between the renames
    assert number > 8


def test_a_living_run_keeps_its_room(tmp_path):
    target = tmp_path / "result"
    with whole_directory(target) as draft:
        clear_leftovers(target)
        assert draft.is_dir()
        (draft / "a.txt").write_text("a")
    assert content(target) == {"a.txt": "a"}


def test_an_interrupt_leaves_the_old_file(tmp_path):
    def interrupted():
        with whole_file(tmp_path / "a.txt") as draft:
            draft.write_text("half")
            raise KeyboardInterrupt

    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert [(entry.name, entry.read_text()) for entry in tmp_path.iterdir()] == [("a.txt", "old")]


def test_missing_parents_are_made(tmp_path):
    put_file(tmp_path / "x" / "y" / "a.txt")
    assert (tmp_path / "x" / "y" / "a.txt").read_text() == "new"


def test_a_strangers_file_is_never_lost(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "diary.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"out: holds a stranger"):
        put_directory(tmp_path / "out")
    assert content(tmp_path / "out") == {"diary.txt": "mine"}


def test_an_existing_directory_is_kept_unless_allowed(tmp_path):
    (tmp_path / "out").mkdir()
    fill(tmp_path / "out", OLD)
    refusal = pytest.raises(OutputError, match="exists already: choose another directory")
    with refusal, whole_directory(tmp_path / "out"):
        pytest.fail("the work must not start")
    assert content(tmp_path / "out") == OLD


def test_an_empty_directory_counts_as_absent(tmp_path):
    (tmp_path / "out").mkdir()
    with whole_directory(tmp_path / "out") as draft:
        fill(draft, NEW)
    assert content(tmp_path / "out") == NEW


def test_file_and_directory_are_not_confused(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file, a directory was needed"):
        put_directory(tmp_path / "file")
    (tmp_path / "directory").mkdir()
    with pytest.raises(OutputError, match="is a directory, a file was needed"):
        put_file(tmp_path / "directory")


def test_names_with_pattern_letters_clear_only_their_own_rooms(tmp_path):
    other = tmp_path / ".ab.12345678.partial"
    other.mkdir()
    put_file(tmp_path / "a[b]*")
    put_file(tmp_path / "?b")
    assert other.is_dir()
