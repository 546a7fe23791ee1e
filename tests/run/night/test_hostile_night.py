"""A night over files that nobody made in good faith: a row in words each, the good scans done, nothing else touched."""

from __future__ import annotations

import json
import os
from pathlib import Path

import h5py
import numpy as np
import pytest
from inline_workers import run_inline
from small_scans import monopole_scan

from scanproc.errors import OutputError
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.night.batch import Wanted

COARSE = '[check]\nrun = false\n[fit]\norder = 2\nestimator = "truncated"\n[directions]\nstep_deg = 90\n'


@pytest.fixture
def night(tmp_path: Path) -> Path:
    folder = tmp_path / "night"
    folder.mkdir()
    (tmp_path / "coarse.toml").write_text(COARSE + "[points]\nin_convert = false\n")
    write_scan(folder / "good.h5", monopole_scan(40))
    return folder


def spoil(folder: Path) -> set[bytes]:
    """Files of many kinds of ill will; the names of those that must fail."""
    good = (folder / "good.h5").read_bytes()
    flipped = bytearray(good)
    for at in np.random.default_rng(3).integers(0, len(good), 300):
        flipped[at] ^= 0x55
    content = {
        b"empty.h5": b"",
        b"cut.h5": good[: len(good) // 2],
        b"flipped.h5": bytes(flipped),
        b"text.h5": b"dear diary\n",
        b"=1+1.h5": b"\x89HDF\r\n\x1a\n" + b"\xff" * 200,
        b"\x1b[31mred\x07.h5": b"",
        b"not-utf8-\xff\xfe.h5": b"",
    }
    for name, held in content.items():
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_bytes(held)
    (folder / "loop.h5").symlink_to(folder / "loop.h5")
    (folder / "dangling.h5").symlink_to(folder / "nowhere.h5")
    (folder / "folder.h5").mkdir()
    os.mkfifo(folder / "pipe.h5")
    with h5py.File(folder / "claims.h5", "w") as file:
        file.attrs["format"], file.attrs["layout_version"] = "scanproc scan", 1
        file.create_dataset("position_m", (2**31, 3), "f8", chunks=(1024, 3))
        file.create_dataset("pressure_pa", (2**31, 7), "c16", chunks=(1024, 7))
        file["frequency_hz"] = np.arange(1.0, 8.0)
    with h5py.File(folder / "elsewhere.h5", "w") as file:
        file.attrs["format"], file.attrs["layout_version"] = "scanproc scan", 1
        file["position_m"] = h5py.ExternalLink("/etc/passwd", "/x")
    return {*content, b"loop.h5", b"dangling.h5", b"folder.h5", b"pipe.h5", b"claims.h5", b"elsewhere.h5"}


def test_a_hostile_night_ends_with_a_row_each(night: Path, tmp_path: Path) -> None:
    bad = spoil(night)
    before = {entry.name for entry in tmp_path.iterdir()}
    wanted = Wanted((str(night),), tmp_path / "out", tmp_path / "coarse.toml", settle_s=0.0)
    rows = run_inline(wanted).rows
    told = {os.fsencode(Path(row.scan).name): row for row in rows}
    assert set(told) == {*bad, b"good.h5"}
    assert told[b"good.h5"].state == "done"
    for name in bad:
        assert told[name].state == "failed", name
        assert told[name].error, name
        assert "\n" not in told[name].error
        assert "bug in scanproc" not in told[name].error, told[name].error
    assert {entry.name for entry in tmp_path.iterdir()} == {*before, "out"}
    for name in ("batch.log", "summary.txt", "summary.csv", "index.html", "ledger.jsonl", "summary.json"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        if name == "batch.log":
            assert not set(text) & {"\x1b", "\x07"}
    lines = (tmp_path / "out" / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
    assert all(json.loads(line)["scan"] for line in lines)
    again = run_inline(wanted).rows
    assert [(row.scan, row.state) for row in again] == [
        (row.scan, "done before" if row.state == "done" else row.state) for row in rows
    ]


@pytest.mark.parametrize("name", [".batch", "ledger.jsonl", "batch.log", "summary.json"])
def test_a_place_that_is_taken_is_one_line(night: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    if name != ".batch":
        (out / ".batch").mkdir()
        (out / name).mkdir()
    else:
        (out / name).write_text("mine")
    with pytest.raises(OutputError) as caught:
        run_inline(Wanted((str(night),), out, tmp_path / "coarse.toml", settle_s=0.0))
    assert "\n" not in str(caught.value)
