"""A night on this machine: 24 scans of mixed size, two of 4,000 points, and bad ones among them.

Run ``python -m tests.benchmarks.batch [FOLDER]``. Measures two workers against one, kills the whole group five
times, kills it every 60 s until it ends, kills one worker, limits a worker to 1 GiB, and compares all results byte
for byte. ``--parts`` does some of it, ``--quick`` with scans a tenth as large, fitted simply and without pages.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import h5py
import numpy as np
import psutil

from scanproc.files.stored.scan_file import write_scan
from scanproc.records.measured.scan import Scan, ScanSetup

SOURCES_M = np.array([[0.03, -0.02, 0.05], [0.05, 0.04, -0.12], [-0.04, 0.01, 0.16]])
SPEED_M_S = 343.0
SMALL = 22
PARTS = ("one", "killed", "every", "orphan", "limited")
SETTINGS = "[directions]\nstep_deg = 30\n[points]\nin_convert = {study}\n"
QUICK_SETTINGS = '[check]\nrun = false\n[fit]\nestimator = "truncated"\n'
QUICK_WORKER = """
import sys
if "spawn_main" in " ".join(sys.orig_argv):
    from scanproc.run.conversion import page
    page.write_page = lambda directory, *_: (directory / "report.html").touch()
"""
"""Run by Python as it starts: pages take seconds to draw."""


def scan(points: int, frequencies: int, *, jitter: float, seed: int, highest_hz: float) -> Scan:
    """Three sources of different strength; points on a sphere, or each at a radius of its own."""
    rng = np.random.default_rng(seed)
    z = 1 - (2 * np.arange(points) + 1) / points
    azimuth = np.pi * (1 + 5**0.5) * np.arange(points)
    ring = np.sqrt(1 - z**2)
    position = np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z], axis=1)
    position = 0.4 * position * (1 + jitter * rng.uniform(-1, 1, points))[:, None]
    frequency = np.geomspace(60.0, highest_hz, frequencies)
    pressure = np.zeros((points, frequencies), dtype=np.complex128)
    for source, strength in zip(SOURCES_M, (1.0, 0.6, -0.3), strict=True):
        distance = np.linalg.norm(position - source, axis=1)[:, None]
        pressure += strength * np.exp(-2j * np.pi * frequency * distance / SPEED_M_S) / distance
    noise = rng.normal(size=pressure.shape) + 1j * rng.normal(size=pressure.shape)
    setup = ScanSetup(position, device="buoy horn", speed_of_sound_m_s=SPEED_M_S)
    return Scan(setup, frequency, pressure + 1e-3 * noise)


def make_night(folder: Path, share: float = 1.0, frequencies: int = 240) -> None:
    """24 good scans and six bad ones, with a share of the points and frequencies of the full size."""
    rng = np.random.default_rng(1)
    for number in range(SMALL):
        points, jitter = int(60 + share * rng.integers(20, 640)), 0.02 * (number % 3 == 0)
        made = scan(points, 60, jitter=jitter, seed=number, highest_hz=4000.0)
        write_scan(folder / f"small-{number:02d}.h5", made)
    for number in range(2):
        count = int(frequencies * share)
        made = scan(int(4000 * share), count, jitter=0.0, seed=100 + number, highest_hz=16000.0)
        write_scan(folder / f"big-{number}.h5", made)
    whole = (folder / "small-01.h5").read_bytes()
    (folder / "bad-cut.h5").write_bytes(whole[: len(whole) // 2])
    (folder / "bad-empty.h5").write_bytes(b"")
    (folder / "bad-folder.h5").mkdir()
    for name in ("nan", "layout", "secret"):
        (folder / f"bad-{name}.h5").write_bytes(whole)
    with h5py.File(folder / "bad-nan.h5", "r+") as file:
        file["pressure_pa"][3, 2] = np.nan
    with h5py.File(folder / "bad-layout.h5", "r+") as file:
        file.attrs["layout_version"] = 99
    (folder / "bad-secret.h5").chmod(0)
    for path in folder.iterdir():
        os.utime(path, (time.time() - 60,) * 2)


def start(top: Path, output: str, workers: int, *more: str) -> subprocess.Popen[bytes]:
    """The command in a group of its own, without root's right to read everything."""
    call = [sys.executable, "-m", "scanproc", "batch", str(top / "night"), "-o", str(top / output)]
    call += ["-c", str(top / "all.toml"), "--workers", str(workers), *more]
    if os.geteuid() == 0:
        call = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *call]
    log = (top / f"{output}.txt").open("ab")
    paths = os.pathsep.join([str(top / "start"), *filter(None, sys.path)])
    environment = {**os.environ, "PYTHONPATH": paths}
    return subprocess.Popen(call, stdout=log, stderr=log, start_new_session=True, env=environment)


def results(output: Path) -> dict[str, bytes]:
    """Every result file but for the line that holds a time."""
    found = {}
    for path in sorted(output.glob("*/**/*")):
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(output).parts):
            lines = path.read_bytes().splitlines(keepends=True)
            found[str(path.relative_to(output))] = b"".join(x for x in lines if b'"written_at"' not in x)
    return found


def rows(output: Path) -> dict[str, dict[str, object]]:
    document = json.loads((output / "summary.json").read_text(encoding="utf-8"))
    return {row["name"]: row for row in document["scans"]}


def timed(top: Path, output: str, workers: int) -> float:
    began = time.monotonic()
    process = start(top, output, workers)
    process.wait()
    seconds = time.monotonic() - began
    assert process.returncode == 1, (top / f"{output}.txt").read_text()  # the bad scans
    return seconds


def killed(top: Path, kills: int, typical_s: float) -> None:
    """Kills the whole group at random moments, then lets it end."""
    draw = random.Random(7)
    for number in range(kills):
        process = start(top, "killed", 2)
        moment = draw.uniform(2.0, 2.0 + typical_s / 3)
        try:
            process.wait(moment)
            print(f"  kill {number + 1}: had ended before {moment:.1f} s")
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            print(
                f"  kill {number + 1} after {moment:.1f} s; partial results seen: {partial(top, 'killed')}",
                flush=True,
            )
    timed(top, "killed", 2)
    count_done(top, "killed")


def killed_every(top: Path, seconds: float) -> None:
    """Kills the whole group after so many seconds, again and again, until a start comes to the end."""
    kills, seen, began = 0, 0, time.monotonic()
    while True:
        process = start(top, "every", 2)
        try:
            process.wait(seconds)
            break
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            kills, seen = kills + 1, seen + partial(top, "every")
    took = time.monotonic() - began
    print(
        f"  killed every {seconds:.0f} s: ended after {kills} kills, {took:.0f} s; partial results seen: {seen}"
    )
    count_done(top, "every")


def partial(top: Path, output: str) -> int:
    """Visible result files that an undisturbed run has not, or has with other bytes, but for hashes of times."""
    calm = results(top / "two")
    return sum(calm.get(name) != content for name, content in results(top / output).items())


def count_done(top: Path, output: str) -> None:
    lines = (top / output / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
    done = [entry["name"] for entry in map(json.loads, lines) if entry["state"] == "done"]
    same = results(top / output) == results(top / "two")
    print(
        f"  scans done: {len(set(done))}, done twice: {len(done) - len(set(done))}, same bytes: {same}, "
        f"load {os.getloadavg()[0]:.1f}",
        flush=True,
    )


def worker_killed(top: Path) -> None:
    """Kills one worker while it fits a big scan."""
    process = start(top, "orphan", 2)
    work = top / "orphan" / ".batch" / "work"
    while process.poll() is None and not list(work.glob("big-*/.fit-*.started")):
        time.sleep(0.02)
    workers = [
        p for p in psutil.Process(process.pid).children(recursive=True) if "spawn_main" in str(p.cmdline())
    ]
    busiest = max(workers, key=lambda p: p.memory_info().rss)
    busiest.kill()
    process.wait()
    print(
        f"  a worker killed: {sum(row['state'] == 'done' for row in rows(top / 'orphan').values())} scans done"
    )


def limited(top: Path) -> None:
    """One worker of 1 GiB and a scan of 4,000 points."""
    process = start(top, "limited", 1, "--memory", "1")
    peak = 0
    while process.poll() is None:
        for child in psutil.Process(process.pid).children(recursive=True):
            try:
                peak = max(peak, child.memory_info().rss)
            except psutil.NoSuchProcess:
                continue
        time.sleep(0.02)
    states = {name: row["state"] for name, row in rows(top / "limited").items() if name.startswith("big")}
    print(f"  1 GiB per worker: {states}, largest process {peak / 2**20:.0f} MiB")


def against_one(top: Path, two: float) -> None:
    """Throughput of two workers over that of one, and the same bytes."""
    one = timed(top, "one", 1)
    print(f"  one worker {one:.1f} s, ratio {one / two:.2f}; load {os.getloadavg()[0]:.1f}")
    calm = results(top / "two")
    print(
        f"  same bytes with one and two workers: {calm == results(top / 'one')} ({len(calm)} files)",
        flush=True,
    )


def calm(top: Path) -> float:
    """Seconds that an undisturbed run on two workers takes; what it says of bad scans."""
    two = timed(top, "two", 2)
    found = rows(top / "two")
    cost = sum(float(str(row["seconds"])) for row in found.values())
    big = [f"{row['seconds']} s" for name, row in found.items() if name.startswith("big")]
    print(f"two workers {two:.1f} s; load {os.getloadavg()[0]:.1f}")
    print(f"  worker time {cost:.1f} s for all, {', '.join(big)} for the big ones", flush=True)
    for name, row in found.items():
        if row["state"] == "failed":
            print(f"  {name}: {str(row['error'])[:150]}")
    return two


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--study", action="store_true", help="With the study of the number of points.")
    parser.add_argument(
        "--quick", action="store_true", help="Scans a tenth as large, simply fitted, no pages."
    )
    parser.add_argument("--frequencies", type=int, default=240, help="Of each of the two large scans.")
    parser.add_argument("--kills", type=int, default=5)
    parser.add_argument("--every", type=float, default=60.0, help="Seconds between kills.")
    parser.add_argument("--parts", nargs="*", default=PARTS, choices=PARTS)
    given = parser.parse_args()
    top = given.folder or Path(tempfile.mkdtemp(prefix="batch-benchmark-"))
    (top / "night").mkdir(parents=True)
    make_night(top / "night", 0.1 if given.quick else 1.0, given.frequencies)
    settings = SETTINGS.format(study=str(given.study).lower())
    (top / "all.toml").write_text(QUICK_SETTINGS + settings if given.quick else settings)
    if given.quick:
        (top / "start").mkdir()
        (top / "start" / "sitecustomize.py").write_text(QUICK_WORKER)
    two = calm(top)
    parts = {
        "one": lambda: against_one(top, two),
        "killed": lambda: killed(top, given.kills, two),
        "every": lambda: killed_every(top, given.every),
        "orphan": lambda: worker_killed(top),
        "limited": lambda: limited(top),
    }
    for part in given.parts:
        parts[part]()


if __name__ == "__main__":
    main()
