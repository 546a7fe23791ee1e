"""No command, forced or not, touches a file that it reads, or anything outside of its output."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile
from inline_workers import run_inline
from small_scans import delayed_impulses, even_points, monopole_scan
from swept import level_folder

from scanproc.cli.commands import run
from scanproc.errors import ScanprocError
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.night import inspection, tasks
from scanproc.run.night.batch import Wanted

COARSE = """[check]
run = false
[fit]
estimator = "truncated"
order = 2
centre_m = "origin"
[directions]
step_deg = 90
[points]
in_convert = false
"""
Captured = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def layout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A user's folder: scans, recordings, settings, results of each kind, one of them with a note, links."""
    top = tmp_path_factory.mktemp("boatshed") / "all"
    for name in ("scans", "recordings", "empty", "strangers"):
        (top / name).mkdir(parents=True)
    for name in ("horn", "buoy"):
        write_scan(top / "scans" / f"{name}.h5", monopole_scan(30))
    (top / "coarse.toml").write_text(COARSE)
    (top / "strangers" / "summary.json").write_text('{"mine": true}')
    (top / "night.txt").write_text("scans/horn.h5\n")
    for number, row in enumerate(delayed_impulses(5).impulse_response_pa / 2, start=1):
        soundfile.write(top / "recordings" / f"{number:04d}.wav", row, 48000, subtype="FLOAT")
    np.savetxt(
        top / "recordings" / "positions.csv",
        even_points(5, 0.4),
        delimiter=",",
        header="x_m,y_m,z_m",
        comments="",
    )
    level_folder(top / "sweeps", (1.0, 2.0))
    convert(top, "scans/horn.h5", top / "result")
    convert(top, "scans/buoy.h5", top / "other")
    shutil.copytree(top / "other", top / "noted")
    (top / "noted" / "note.txt").write_text("mine")
    assert run(["export", str(top / "result"), "-o", str(top / "files"), "--directions", "orbits-90"]) == 0
    os.link(top / "scans" / "horn.h5", top / "hard.h5")
    (top / "soft.h5").symlink_to(top / "scans" / "horn.h5")
    (top / "way").symlink_to(top / "scans")
    (top / "back").symlink_to(top / "result")
    return top


def convert(top: Path, scan: str, out: Path, *more: str) -> int:
    return run(["convert", str(top / scan), "-o", str(out), "-c", str(top / "coarse.toml"), *more])


def batch(top: Path, sources: list[str], out: Path) -> None:
    with suppress(ScanprocError):
        run_inline(Wanted(tuple(str(top / one) for one in sources), out, top / "coarse.toml", settle_s=0.0))


def commands(top: Path, out: Path, force: list[str]) -> dict[str, tuple[list[str], object]]:
    """Name -> what is read, and the call."""
    result, table = "result/result.h5", "files/orbits-90/csv"
    plan = ["--size", "0.1", "0.1", "0.1", "--up-to", "300", "-o", str(out), *force]
    return {
        "convert": (["scans/horn.h5", "coarse.toml"], lambda: convert(top, "scans/horn.h5", out, *force)),
        "convert a link": (["soft.h5", "coarse.toml"], lambda: convert(top, "soft.h5", out, *force)),
        "convert with reference": (
            ["scans/horn.h5", table],
            lambda: convert(top, "scans/horn.h5", out, "--reference", str(top / table), *force),
        ),
        "export": (
            [result],
            lambda: run(["export", str(top / "result"), "-o", str(out), "--directions", "orbits-90", *force]),
        ),
        "advise": (
            [result],
            lambda: run(["advise", str(top / "result"), "-o", str(out), "--bands", "1", *force]),
        ),
        "compare": (
            [result, table],
            lambda: run(["compare", str(top / "result"), str(top / table), "-o", str(out), *force]),
        ),
        "import": (["recordings"], lambda: run(["import", str(top / "recordings"), "-o", str(out), *force])),
        "levels": (["sweeps"], lambda: run(["levels", str(top / "sweeps"), "-o", str(out), *force])),
        "synth": (["coarse.toml"], lambda: run(["synth", str(top / "coarse.toml"), "-o", str(out), *force])),
        "plan": ([], lambda: run(["plan", *plan])),
        "batch": (["scans", "coarse.toml"], lambda: batch(top, ["scans"], out)),
        "batch of a list": (["scans/horn.h5", "night.txt"], lambda: batch(top, ["night.txt"], out)),
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
    "strangers",
    "empty",
    "new",
    "new/deeper",
)
REPLACEABLE = {"result", "back", "other", "files", "scans/horn.h5", "hard.h5", "soft.h5"}
"""Outputs of our own making, of one kind or another."""


def bytes_of(top: Path) -> dict[Path, bytes]:
    return {
        path.relative_to(top): os.readlink(path).encode() if path.is_symlink() else path.read_bytes()
        for path in sorted(top.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


@pytest.mark.parametrize("name", list(commands(Path(), Path(), [])))
def test_nothing_is_lost(
    layout: Path, tmp_path: Path, name: str, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    done = 0
    for output in OUTPUTS:
        for force in ([], ["--force"]):
            top = tmp_path / "all"
            shutil.copytree(layout, top, symlinks=True)
            for link in ("soft.h5", "way", "back"):
                target = Path(os.readlink(top / link)).relative_to(layout)
                (top / link).unlink()
                (top / link).symlink_to(top / target)
            (top / "hard.h5").unlink()
            os.link(top / "scans" / "horn.h5", top / "hard.h5")
            before = bytes_of(top)
            reads, call = commands(top, top / output, force)[name]
            call()  # type: ignore[operator]
            after = bytes_of(top)
            inside = (top / output).resolve().relative_to(top.resolve())
            lost = {path for path, content in before.items() if after.get(path) != content}
            case = f"{name} -o {output} {force}"
            assert not [p for p in lost if any(p == Path(r) or Path(r) in p.parents for r in reads)], case
            assert output in REPLACEABLE or not lost, case
            assert not [p for p in lost if p not in (inside, Path(output)) and inside not in p.parents], case
            new = set(after) - set(before)
            assert not [p for p in new if p not in (inside, Path(output)) and inside not in p.parents], case
            done += bool(new or lost)
            shutil.rmtree(top)
    capsys.readouterr()
    assert done > (0 if name != "synth" else -1)


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
