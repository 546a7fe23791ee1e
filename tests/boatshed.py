"""A user's folder with all that commands read and write: scans, recordings, settings, results of each kind, links."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import numpy as np
import soundfile
from small_scans import delayed_impulses, even_points, monopole_scan
from swept import level_folder

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import write_scan

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
RECIPE = """name = "two buoys"
[device]
kind = "sources"
[[device.source]]
[surface]
kind = "shells"
points = 30
radii_m = [0.4]
[frequencies]
spacing = "log"
start_hz = 100.0
stop_hz = 400.0
count = 3
"""
LINKS = ("soft.h5", "way", "back")


def make_boatshed(top: Path) -> None:
    """Fills the folder ``top``, which is made."""
    for name in ("scans", "recordings", "empty", "strangers"):
        (top / name).mkdir(parents=True)
    for name in ("horn", "buoy"):
        write_scan(top / "scans" / f"{name}.h5", monopole_scan(40))
    (top / "coarse.toml").write_text(COARSE)
    (top / "strangers" / "summary.json").write_text('{"mine": true}')
    (top / "night.txt").write_text("scans/horn.h5\n")
    for number, row in enumerate(delayed_impulses(5).impulse_response_pa / 2, start=1):
        soundfile.write(top / "recordings" / f"{number:04d}.wav", row, 48000, subtype="FLOAT")
    place = even_points(5, 0.4)
    words = {"delimiter": ",", "header": "x_m,y_m,z_m", "comments": ""}
    np.savetxt(top / "recordings" / "positions.csv", place, **words)
    level_folder(top / "sweeps", (1.0, 2.0))
    convert(top, "scans/horn.h5", top / "result")
    convert(top, "scans/buoy.h5", top / "other")
    (top / "model.toml").write_text(re.sub(r"(?s)\[fit\].*(?=\[directions)", "", COARSE))
    convert(top, "scans/horn.h5", top / "modelled", config="model.toml")
    shutil.copytree(top / "other", top / "noted")
    (top / "noted" / "note.txt").write_text("mine")
    result = str(top / "result")
    made = (
        ["export", result, "-o", str(top / "files"), "--directions", "orbits-90"],
        ["advise", result, "-o", str(top / "advice"), "--bands", "1"],
        ["compare", result, str(top / "other"), "-o", str(top / "comparison")],
    )
    assert all(run(one) in (0, 3) for one in made)
    (top / "equaliser.csv").write_text("frequency_hz,level_db,phase_deg\n50,0,0\n5000,-3,9\n")
    (top / "equaliser.toml").write_text('[[filter]]\nkind = "table"\nfile = "equaliser.csv"\n')
    (top / "recipe.toml").write_text(RECIPE)
    os.link(top / "scans" / "horn.h5", top / "hard.h5")
    (top / "soft.h5").symlink_to(top / "scans" / "horn.h5")
    (top / "way").symlink_to(top / "scans")
    (top / "back").symlink_to(top / "result")


def copied(layout: Path, top: Path) -> None:
    """The folder ``layout`` once more as ``top``, its links within itself."""
    shutil.copytree(layout, top, symlinks=True)
    for link in LINKS:
        target = Path(os.readlink(top / link)).relative_to(layout)
        (top / link).unlink()
        (top / link).symlink_to(top / target)
    (top / "hard.h5").unlink()
    os.link(top / "scans" / "horn.h5", top / "hard.h5")


def bytes_of(top: Path) -> dict[Path, bytes]:
    return {
        path.relative_to(top): os.readlink(path).encode() if path.is_symlink() else path.read_bytes()
        for path in sorted(top.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


def convert(top: Path, scan: str, out: Path, *more: str, config: str = "coarse.toml") -> int:
    return run(["convert", str(top / scan), "-o", str(out), "-c", str(top / config), *more])
