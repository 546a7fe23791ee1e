"""A batch on real workers: local ones, ones started by hand, ones that are killed."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
import pytest
from distributed import LocalCluster
from inline_workers import results, run_inline
from small_scans import monopole_scan

from scanproc.errors import OutputError, SettingsError
from scanproc.files.hashing import file_hash
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.run import cluster
from scanproc.run.conversion import pipeline
from scanproc.run.night import blocks
from scanproc.run.night.batch import Wanted
from scanproc.run.points import points
from scanproc.version import VERSION

PYTHON = sys.executable
STARTED: list[subprocess.Popen[str]] = []
POINTS, ORDER = 500, 17
BLOCK_FLOP = 8 * 8 * POINTS * (ORDER + 1) ** 4
"""Eight frequencies of the slow scan."""
PATIENCE_S = 300
"""The machine may be busy with other things; nothing here waits longer than it must."""
SCANPROC = f"""
import sys
from scanproc.cli.commands import run
from scanproc.run.night import blocks
from scanproc.version import VERSION
blocks.BLOCK_FLOP = {BLOCK_FLOP}
sys.exit(run(sys.argv[1:]))
"""


WORKER = """
import sys
if "spawn_main" in " ".join(sys.orig_argv) or "worker" in sys.orig_argv:
    from scanproc.run.conversion import page
    page.write_page = lambda directory, *_: (directory / "report.html").touch()
"""
"""Run by Python as it starts: pages take seconds to draw, so workers write empty ones here."""


def slow_scan() -> Scan:
    """Every point at its own radius, so that each frequency costs a factorisation: three blocks of about 0.5 s."""
    scan = monopole_scan(POINTS)
    rng = np.random.default_rng(5)
    position = scan.setup.position_m * rng.uniform(0.98, 1.02, (POINTS, 1))
    frequency = np.geomspace(100, 1200, 24)
    distance = np.linalg.norm(position - [0.03, -0.02, 0.05], axis=1)[:, None]
    pressure = np.exp(-2j * np.pi * frequency * distance / 343) / distance
    return Scan(ScanSetup(position, speed_of_sound_m_s=343.0), frequency, pressure)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of two scans, and results of an undisturbed run in this process."""
    top = tmp_path_factory.mktemp("original")
    folder = top / "night"
    folder.mkdir()
    write_scan(folder / "buoy.h5", monopole_scan(60))
    (folder / "buoy.toml").write_text("[fit]\norder = 4\n")
    write_scan(folder / "slow.h5", slow_scan())
    past = time.time() - 60
    for path in folder.iterdir():
        os.utime(path, (past, past))
    (top / "all.toml").write_text(
        f"[check]\nrun = false\n[fit]\norder = {ORDER}\n[directions]\nstep_deg = 90\n[points]\nin_convert = false\n"
    )
    (top / "start").mkdir()
    (top / "start" / "sitecustomize.py").write_text(WORKER)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "write_page", lambda directory, *_: (directory / "report.html").touch())
        patch.setattr(blocks, "BLOCK_FLOP", BLOCK_FLOP)
        run_inline(Wanted((str(folder),), top / "calm", top / "all.toml"))
    return top


@pytest.fixture
def night(original: Path, tmp_path: Path) -> Path:
    shutil.copytree(original / "night", tmp_path / "night")
    shutil.copy(original / "all.toml", tmp_path)
    shutil.copytree(original / "start", tmp_path / "start")
    return tmp_path / "night"


@pytest.fixture
def expected(original: Path) -> dict[str, bytes]:
    return results(original / "calm")


def environment(top: Path) -> dict[str, str]:
    paths = os.pathsep.join([str(top / "start"), *filter(None, sys.path)])
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1", "TMPDIR": str(top), "PYTHONPATH": paths}


def start(night: Path, *more: str) -> subprocess.Popen[str]:
    """The command in a process group of its own."""
    call = [PYTHON, "-c", SCANPROC, "batch", str(night), "-o", str(night.parent / "out")]
    process = subprocess.Popen(
        [*call, "-c", str(night.parent / "all.toml"), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=environment(night.parent),
    )
    STARTED.append(process)
    return process


@pytest.fixture(autouse=True)
def _nothing_left_running() -> Iterator[None]:
    yield
    while STARTED:
        process = STARTED.pop()
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def wait_for(what: str, check: object, process: subprocess.Popen[str], seconds: float = PATIENCE_S) -> None:
    end = time.monotonic() + seconds
    while not check():  # type: ignore[operator]
        assert process.poll() is None, f"ended before {what}: {process.communicate()}"
        assert time.monotonic() < end, f"never saw {what}"
        time.sleep(0.02)


def checkpoints(night: Path) -> list[Path]:
    return list((night.parent / "out" / ".batch" / "work").glob("*/frequencies-*.h5"))


def marks(night: Path) -> list[Path]:
    return list((night.parent / "out" / ".batch" / "work").glob("slow*/.fit-*.started"))


def test_a_quiet_night_on_two_workers(night: Path, expected: dict[str, bytes]) -> None:
    before = set(night.parent.iterdir())
    process = start(night, "--workers", "2")
    wait_for("work on the slow scan", lambda: marks(night), process)
    family = [psutil.Process(process.pid), *psutil.Process(process.pid).children(recursive=True)]
    ports = [
        connection.laddr.ip
        for one in family
        for connection in one.net_connections()
        if connection.status == "LISTEN"
    ]
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert set(ports) == {"127.0.0.1"}
    assert results(night.parent / "out") == expected
    line = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d[+-]\d\d:\d\d (2 scans|buoy: done|slow: done)")
    log = (night.parent / "out" / "batch.log").read_text(encoding="utf-8")
    assert log == err
    assert all(line.match(entry) for entry in log.splitlines())
    assert "2 scans, 2 done" in out
    assert set(night.parent.iterdir()) - before == {night.parent / "out"}
    assert [path.name for path in (night.parent / "out" / ".batch").iterdir()] == ["lock"]


def test_a_killed_worker_and_a_killed_batch_change_nothing(night: Path, expected: dict[str, bytes]) -> None:
    process = start(night, "--workers", "2")
    wait_for("work on the slow scan", lambda: marks(night), process)
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()
    for mark in marks(night):
        mark.unlink()
    process = start(night, "--workers", "1")
    wait_for("work on the slow scan", lambda: marks(night), process)
    workers = [
        child
        for child in psutil.Process(process.pid).children(recursive=True)
        if "spawn_main" in " ".join(child.cmdline())
    ]
    assert len(workers) == 1
    workers[0].kill()
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert "its worker died" in err
    assert "Traceback" not in err
    found = results(night.parent / "out")
    assert found.keys() == expected.keys()
    for name in ("slow/summary.json", "buoy/result.h5"):
        assert found[name] == expected[name]
    done = [
        json.loads(line)["name"]
        for line in (night.parent / "out" / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
        if json.loads(line)["state"] == "done"
    ]
    assert sorted(done) == ["buoy", "slow"]


@pytest.mark.slow
def test_ctrl_c_once_keeps_what_is_fitted_and_twice_stops_at_once(
    night: Path, expected: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    process = start(night, "--workers", "1", "--json")
    wait_for("work on the slow scan", lambda: marks(night), process)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130, err
    document = json.loads(out)
    assert document["stopped"] == "interrupted"
    assert {row["name"]: row["state"] for row in document["scans"]} == {"buoy": "done", "slow": "left"}
    assert len(checkpoints(night)) == 1
    process = start(night, "--workers", "1")
    wait_for("work on the slow scan", lambda: marks(night), process)
    os.killpg(process.pid, signal.SIGINT)
    time.sleep(0.1)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130, err
    assert "stopped at once" in out
    assert "Traceback" not in err
    assert len(checkpoints(night)) < 3
    monkeypatch.setattr(blocks, "BLOCK_FLOP", BLOCK_FLOP)
    run_inline(Wanted((str(night),), night.parent / "out", night.parent / "all.toml"))
    assert results(night.parent / "out") == expected


@contextmanager
def by_hand(top: Path, workers: int = 2) -> Iterator[str]:
    """A scheduler and workers started from the command line, as on a cluster."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    elsewhere = top / "elsewhere"
    elsewhere.mkdir()
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": elsewhere}
    dask = [PYTHON, "-m", "dask"]
    port = address.rpartition(":")[2]
    calls = [[*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"]]
    calls += [
        [*dask, "worker", address, "--host", "127.0.0.1", "--no-nanny", "--nthreads", "1", "--no-dashboard"]
    ] * workers
    running = [subprocess.Popen(call, env=environment(top), **quiet) for call in calls]  # type: ignore[call-overload]
    try:
        yield address
    finally:
        for process in reversed(running):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def two_by_hand(original: Path) -> Iterator[str]:
    """The address of their scheduler."""
    with pytest.MonkeyPatch.context() as patch, by_hand(original) as address:
        patch.setattr(cluster, "CONNECT_S", float(PATIENCE_S))
        yield address


def test_workers_started_by_hand_give_the_same(
    night: Path, expected: dict[str, bytes], two_by_hand: str
) -> None:
    (night.parent / "out" / ".batch").mkdir(parents=True)
    with cluster.existing_workers(two_by_hand, night.parent / "out") as workers:
        assert workers.slots() in (1, 2)
    process = start(night, "--scheduler", two_by_hand)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, out + err
    assert results(night.parent / "out") == expected


def test_one_scan_on_workers_started_by_hand_gives_the_same(tmp_path: Path, two_by_hand: str) -> None:
    scan = tmp_path / "buoy.h5"
    noisy = monopole_scan(30, noise=1e-3)
    write_scan(scan, noisy)
    here = pipeline.convert(scan, tmp_path / "here")
    told = []
    with cluster.each_on(two_by_hand) as each:
        there = pipeline.convert(
            scan, tmp_path / "there", progress=lambda what, done, _: told.append((what, done)), each=each
        )
        answer = points(scan, each=each)
    assert ("frequencies fitted", len(noisy.frequency_hz)) in told
    assert answer.as_json() == points(scan).as_json()
    assert dict(there.as_json(), written_at="") == dict(here.as_json(), written_at="")
    assert file_hash(tmp_path / "there" / "result.h5") == file_hash(tmp_path / "here" / "result.h5")


def test_errors_of_the_work_and_a_scheduler_that_goes_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", float(PATIENCE_S))
    (tmp_path / "start").mkdir()
    with by_hand(tmp_path, 1) as address, cluster.each_on(address) as each:
        assert each(len, ["a", "bc"]) == [1, 2]
        with pytest.raises(ZeroDivisionError):
            each(lambda value: 1 / value, [1, 0])
        for process in psutil.Process().children():
            if address.rpartition(":")[2] in " ".join(process.cmdline()):
                process.kill()
        with pytest.raises(
            OutputError, match=r"lost the scheduler tcp://127\.0\.0\.1:\d+: .*then the command again"
        ):
            each(len, ["a"])


@pytest.fixture(scope="module")
def one_worker() -> Iterator[str]:
    """The address of a scheduler with a worker, both in this process."""
    with cluster._quiet():
        made = LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            protocol="tcp",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
        )
        with made:
            yield made.scheduler_address


def test_another_version_and_storage_that_is_not_shared_are_refused(
    one_worker: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "out" / ".batch").mkdir(parents=True)
    with cluster.existing_workers(one_worker, tmp_path / "out") as workers:
        assert workers.slots() == 1
    nowhere = pytest.raises(SettingsError, match=r"does not see .*nowhere: use storage that all share$")
    with nowhere, cluster.existing_workers(one_worker, tmp_path / "nowhere"):
        pass
    monkeypatch.setattr(cluster, "VERSION", "9.9.9")
    other = pytest.raises(
        SettingsError, match=rf"has scanproc {re.escape(VERSION)}, this is scanproc 9\.9\.9: install the same"
    )
    with other, cluster.existing_workers(one_worker, tmp_path / "out"):
        pass


def test_a_scheduler_without_workers_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 2.0)
    with cluster._quiet():
        made = LocalCluster(
            n_workers=0, processes=False, protocol="tcp", host="127.0.0.1", dashboard_address="127.0.0.1:0"
        )
    none = pytest.raises(
        SettingsError, match=r"has no workers after 2 s: start 'dask worker tcp://127\.0\.0\.1:\d+'$"
    )
    with made, none, cluster.existing_workers(made.scheduler_address, tmp_path):
        pass


def test_a_scheduler_that_is_not_there_is_one_line(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with (
        pytest.raises(SettingsError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9 within 1 s"),
        cluster.existing_workers("tcp://127.0.0.1:9", night),
    ):
        pass
