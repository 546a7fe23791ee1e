"""Outcomes of items on the disk: a stage that is killed halfway goes on where it was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from inline_workers import results, run_inline
from small_scans import monopole_scan

from scanproc.errors import OutputError
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.night import inspection, kept, tasks
from scanproc.run.night.batch import Wanted
from scanproc.run.night.kept import Kept


class Killed(BaseException):
    """As good as SIGKILL for this process: nothing in the batch catches it."""


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "KEEP_EVERY_S", 0.0)


def recipe(each: Kept, done: list[str], most: int = 99) -> float:
    """Two calls, the second with calls inside its items."""

    def count(name: str) -> float:
        if len(done) >= most:
            raise Killed
        done.append(name)
        return float(len(name))

    def inside(item: str) -> float:
        return sum(each(count, [f"{item}{n}" for n in range(3)]))

    return sum(each(count, ["a", "b"])) + sum(each(inside, ["c", "de"]))


@pytest.mark.parametrize("most", range(8))
def test_no_item_is_done_twice(tmp_path: Path, most: int) -> None:
    done: list[str] = []
    with pytest.raises(Killed):
        recipe(Kept(tmp_path, "read"), done, most)
    assert recipe(Kept(tmp_path, "read"), done) == 1 + 1 + 3 * 2 + 3 * 3
    assert done == ["a", "b", "c0", "c1", "c2", "de0", "de1", "de2"]


def test_stages_do_not_mix_and_a_whole_one_leaves_nothing(tmp_path: Path) -> None:
    read, done = Kept(tmp_path, "read"), []  # type: ignore[var-annotated]
    recipe(read, done)
    recipe(Kept(tmp_path, "study"), done)
    assert len(done) == 16
    read.clear()
    assert {path.name.split("-")[0] for path in tmp_path.iterdir()} == {"study"}


def test_an_unreadable_file_is_done_again(tmp_path: Path) -> None:
    done: list[str] = []
    first = recipe(Kept(tmp_path, "read"), done)
    second = sorted(tmp_path.iterdir())[1]
    second.write_bytes(second.read_bytes()[:-4])
    assert recipe(Kept(tmp_path, "read"), done) == first
    assert done[8:] == ["b"]


def test_a_fresh_outcome_and_a_kept_one_lie_in_memory_alike(tmp_path: Path) -> None:
    """Sums over arrays of another layout may differ in the last digit."""
    table = np.arange(24.0).reshape(4, 6)

    def strided(_: int) -> np.ndarray:
        return table[::2, ::3]

    (fresh,) = Kept(tmp_path, "read")(strided, [0])
    (known,) = Kept(tmp_path, "read")(strided, [0])
    np.testing.assert_array_equal(fresh, table[::2, ::3])
    assert fresh.strides == known.strides


def test_a_full_disk_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="could not be written") as caught:
        Kept(tmp_path / "file" / "room", "read")(lambda n: (tmp_path / "file").write_text("x"), [1])
    assert "\n" not in str(caught.value)


def test_a_kill_inside_plan_or_study_loses_one_item(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed after every item of the two long stages of a scan."""
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    (tmp_path / "night").mkdir()
    write_scan(tmp_path / "night" / "buoy.h5", monopole_scan(60))
    (tmp_path / "all.toml").write_text("[directions]\nstep_deg = 90\n[points]\nsizes = 3\n")

    def wanted(output: str) -> Wanted:
        return Wanted((str(tmp_path / "night"),), tmp_path / output, tmp_path / "all.toml", settle_s=0)

    run_inline(wanted("calm"))
    finished: list[tuple[str, int]] = []
    real = Kept._keep

    def keep(self: Kept) -> None:
        finished.extend((self._stage, hash(content)) for content in self._fresh.values())
        real(self)
        raise Killed

    monkeypatch.setattr(Kept, "_keep", keep)
    for _ in range(500):
        try:
            run_inline(wanted("out"))
        except Killed:
            continue
        break
    assert {stage for stage, _ in finished} == {"read", "study"}
    assert len(finished) > 10
    assert results(tmp_path / "out") == results(tmp_path / "calm")
    assert not list((tmp_path / "out").rglob("*.part"))
