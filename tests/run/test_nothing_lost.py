"""No command, forced or not, touches a file that it reads, or anything outside of its output."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from boatshed import COARSE, bytes_of, convert, copied, make_boatshed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from inline_workers import run_inline
from small_scans import monopole_scan

from scanproc.cli.commands import COMMANDS, run
from scanproc.errors import ScanprocError
from scanproc.run.night import inspection, tasks
from scanproc.run.night.batch import Wanted

CASES = int(os.environ.get("SCANPROC_LAYOUTS", "4"))
"""Random layouts for each command."""
TABLE = "files/orbits-90/csv"
ALWAYS = ("convert", "export", "import", "synth", "plan", "demo", "batch")
"""Tried at every output in the fast part; the others there by random layouts only."""
Captured = pytest.CaptureFixture[str]


@dataclass(frozen=True)
class Call:
    """A command line, in which {NAME} is an input, {out} the output; ``also`` is what it reads besides."""

    words: str
    also: tuple[str, ...] = ()

    @property
    def named(self) -> list[str]:
        return [name for name in re.findall(r"{(.*?)}", self.words) if name != "out"]

    def __call__(self, at: Callable[[str], Path], out: Path, force: list[str]) -> None:
        places = {"out": out, **{name: at(name) for name in self.named}}
        words = [str(places.get(word.strip("{}"), word)) for word in self.words.split()]
        if words[0] != "batch":
            assert run([*words, *force]) in (0, 1, 2, 3)
            return
        with suppress(ScanprocError):
            run_inline(Wanted(tuple(words[1:-1]), out, Path(words[-1]), settle_s=0.0))


CALLS = {
    "convert": Call("convert {scans/horn.h5} -c {coarse.toml} -o {out}"),
    "convert a link": Call("convert {soft.h5} -c {coarse.toml} -o {out}", ("scans/horn.h5",)),
    "convert with reference": Call(
        "convert {scans/horn.h5} -c {coarse.toml} --reference {files/orbits-90/csv} -o {out}"
    ),
    "convert with result": Call("convert {scans/horn.h5} -c {coarse.toml} --reference {other} -o {out}"),
    "export": Call("export {result} --directions orbits-90 -o {out}"),
    "export filtered": Call("export {result} --directions orbits-90 --filter {advice/filters.toml} -o {out}"),
    "export by a table": Call("export {result} --directions orbits-90 --filter {equaliser.toml} -o {out}"),
    "advise": Call("advise {result} --bands 1 -o {out}"),
    "advise towards": Call(
        "advise {result} --bands 1 --target {files/orbits-90/csv/horizontal_000.csv} -o {out}"
    ),
    "compare": Call("compare {result} {files/orbits-90/csv} -o {out}"),
    "compare results": Call("compare {result} {other} {noted} -o {out}"),
    "compare halves": Call("compare --halves {scans/horn.h5} -c {coarse.toml} -o {out}"),
    "import": Call("import {recordings} -o {out}"),
    "levels": Call("levels {sweeps} -o {out}"),
    "synth": Call("synth {recipe.toml} -o {out}"),
    "plan": Call("plan --size 0.1 0.1 0.1 --up-to 200 -o {out}"),
    "plan like": Call("plan --like {modelled} --up-to 200 -o {out}"),
    "plan on": Call("plan --continue {modelled} --up-to 1200 --target-db -80 -o {out}"),
    "demo": Call("demo -o {out}"),
    "demo in a room": Call("demo --room -o {out}"),
    "batch": Call("batch {scans} {coarse.toml}"),
    "batch of a list": Call("batch {night.txt} {coarse.toml}", ("scans/horn.h5",)),
}
READ_ONLY = {
    "check": "check {scans/horn.h5}",
    "check the arm": "check --arm {scans/horn.h5}",
    "points": "points {scans/horn.h5} -c {coarse.toml}",
    "watch": "watch {scans/horn.h5} --idle 0.01 --every 0.01 -c {coarse.toml}",
    "guide": "guide room",
    "advise": "advise {result}",
    "compare": "compare {result} {other}",
    "levels": "levels {sweeps}",
    "plan": "plan --like {modelled} --up-to 200",
}
OUTPUTS = (
    ".",
    "scans",
    "scans/horn.h5",
    "scans/new",
    "hard.h5",
    "soft.h5",
    "way",
    "way/horn",
    "recordings",
    "recordings/positions.csv",
    "recordings/0001.wav",
    "recordings/scan.h5",
    "coarse.toml",
    "night.txt",
    "result",
    "result/result.h5",
    "result/directions",
    "back",
    "other",
    "noted",
    "files",
    "files/orbits-90",
    "files/orbits-90/csv",
    "advice",
    "advice/filters.toml",
    "comparison",
    "strangers",
    "empty",
    "new",
    "new/deeper",
)
REPLACEABLE = {
    *("result", "back", "other", "modelled", "files", "advice", "comparison"),
    *("scans/horn.h5", "scans/buoy.h5", "hard.h5", "soft.h5"),
}
"""Outputs of our own making, of one kind or another."""
HOSTS = (".", "scans", "recordings", "result", "other", "files", TABLE, "advice", "empty", "a new one")


@pytest.fixture(scope="module")
def layout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("boatshed") / "all"
    make_boatshed(top)
    return top


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scans are read in this process, a demo is small and coarse, pages are empty."""
    monkeypatch.setattr("scanproc.run.compare_page._page", lambda *_: "")
    monkeypatch.setattr("scanproc.report.pages.levels_page.levels_page", lambda *_: "")
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    monkeypatch.setattr("scanproc.run.synth.make_sounds", lambda _: (monopole_scan(30), {}))
    monkeypatch.setattr("scanproc.run.demo.convert", coarsely)


def coarsely(scan: Path, out: Path, **_: object) -> None:
    config = scan.parent / "coarse.toml"
    config.write_text(COARSE)
    convert(scan.parent, scan.name, out)
    config.unlink()


def touched(
    call: Call, top: Path, at: Callable[[str], Path], out: Path, force: list[str], ours: set[str]
) -> bool:
    """Whether the call changed anything: it must write nothing but its output, and replace only what is ``ours``."""
    before = bytes_of(top)
    reads = {
        path.resolve() for name in (*call.named, *call.also) for path in (at(name), *at(name).rglob("*"))
    }
    call(at, out, force)
    after = bytes_of(top)
    lost = {top / path for path, content in before.items() if after.get(path) != content}
    new = {top / path for path in set(after) - set(before)}
    case = f"{call.words} with {out.relative_to(top)} {force}"
    assert not {path for path in lost if path in reads}, case
    inside = out.resolve()
    assert all(path in (out, inside) or inside in path.parents for path in lost | new), case
    assert not lost or {path.relative_to(top).as_posix() for path in (out, inside)} & ours, case
    return bool(lost or new)


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[] if name in ALWAYS else pytest.mark.slow) for name in CALLS]
)
def test_nothing_is_lost(layout: Path, tmp_path: Path, name: str, quick: None, capsys: Captured) -> None:
    done, top = 0, tmp_path / "all"
    for output in OUTPUTS:
        for force in ([], ["--force"]):
            if not top.exists():
                copied(layout, top)
            if touched(CALLS[name], top, top.joinpath, top / output, force, REPLACEABLE):
                done += 1
                shutil.rmtree(top)
    capsys.readouterr()
    assert done > 0


@settings(
    max_examples=CASES,
    deadline=None,
    derandomize=CASES <= 4,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
@pytest.mark.parametrize("name", CALLS)
def test_nothing_is_lost_wherever_inputs_lie(
    layout: Path, tmp_path: Path, quick: None, capsys: Captured, name: str, data: st.DataObject
) -> None:
    top = tmp_path / "all"
    shutil.rmtree(top, ignore_errors=True)
    copied(layout, top)
    places, ours = {}, set(REPLACEABLE)
    for one in CALLS[name].named:
        way = data.draw(st.sampled_from(["left", "moved", "linked", "reached"]))
        host = data.draw(st.sampled_from(HOSTS))
        places[one] = rearranged(top, one, way, host)
        if way != "left":
            ours -= {host, host.partition("/")[0]} | ({"back"} if host == "result" else set())
    there = [path for path in sorted(top.rglob("*")) if not path.name.endswith(".wav")]
    folders = [path / "new" for path in [top, *there] if path.is_dir()]
    out = data.draw(st.sampled_from([top, *there, *folders]))
    force = data.draw(st.sampled_from([[], ["--force"]]))
    touched(CALLS[name], top, lambda one: places.get(one, top / one), out, force, ours)
    capsys.readouterr()


def rearranged(top: Path, name: str, way: str, host: str) -> Path:
    """Where an input is after it was left, moved into ``host``, or reached from there by a link to it or its folder."""
    given, folder = top / name, top / host
    folder.mkdir(exist_ok=True)
    place = folder / f"my-{given.name}"
    if way == "left" or given.resolve() in (folder.resolve(), *folder.resolve().parents):
        return given
    if way == "moved":
        shutil.move(given, place)
        return place
    if way == "linked":
        place.symlink_to(given)
        return place
    door = folder / f"door-to-{given.name}"
    door.symlink_to(given.parent)
    return door / given.name


@pytest.mark.parametrize("words", READ_ONLY.values(), ids=READ_ONLY)
def test_what_only_reads_writes_nothing(layout: Path, tmp_path: Path, words: str, capsys: Captured) -> None:
    top = tmp_path / "all"
    copied(layout, top)
    before = bytes_of(tmp_path)
    Call(words)(top.joinpath, top / "new", [])
    assert capsys.readouterr().out
    assert bytes_of(tmp_path) == before


def test_every_command_is_tried() -> None:
    assert {
        words.split()[0] for words in (*READ_ONLY.values(), *(call.words for call in CALLS.values()))
    } == {*COMMANDS}


def test_the_words_show_the_way_out(layout: Path, capsys: Captured) -> None:
    def said(*arguments: str) -> str:
        assert run([str(one) for one in arguments]) in (1, 2)
        line = capsys.readouterr().err
        assert "--force" not in line
        return line

    horn, scans = str(layout / "scans" / "horn.h5"), str(layout / "scans")
    assert "horn.h5', of which the results are made: choose another" in said("convert", horn, "-o", scans)
    result = str(layout / "result")
    words = said("export", result, "-o", result, "--force")
    assert "result.h5', of which the results are made: choose another directory" in words
    recordings = layout / "recordings"
    words = said("import", str(recordings), "-o", str(recordings / "positions.csv"))
    assert "is there already and is no scan file: choose another name" in words
    words = said("import", horn, "-o", str(recordings))
    assert "is a folder, the name of a scan file was needed" in words
    words = said("import", str(recordings), "-o", str(layout / "nosuch" / "x.h5"))
    assert "there is no folder" in words
    assert not (layout / "nosuch").exists()


def test_a_changed_result_is_kept(layout: Path, tmp_path: Path, capsys: Captured) -> None:
    out = tmp_path / "out"
    assert convert(layout, "scans/horn.h5", out) in (0, 3)
    with (out / "directions" / "curves.csv").open("a") as file:
        file.write("# my reading\n")
    assert convert(layout, "scans/horn.h5", out, "--force") == 1
    words = "holds 'directions/curves.csv', which was changed since it was written: move it"
    assert words in capsys.readouterr().err
    assert (out / "directions" / "curves.csv").read_text().endswith("# my reading\n")


@pytest.mark.parametrize(
    ("sources", "output", "words"),
    [
        (
            ["scans"],
            "scans",
            "what lies in the output directory .*scans is not looked at; choose another one",
        ),
        (["empty"], "new", r"no scans \(.h5 or .hdf5\) in .*empty: check the path"),
        (["scans"], "strangers", "holds 'summary.json', which is not of a batch"),
    ],
)
def test_a_batch_of_nothing_says_why(layout: Path, sources: list[str], output: str, words: str) -> None:
    with pytest.raises(ScanprocError, match=words):
        run_inline(Wanted(tuple(str(layout / one) for one in sources), layout / output))
