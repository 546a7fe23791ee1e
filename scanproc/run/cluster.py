"""Workers for a batch or for the frequencies of one scan: a local cluster on loopback, or one that is there already.

The only home of dask.
"""

from __future__ import annotations

import logging
import os
import shutil
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any, Protocol, TypeVar

from scanproc.errors import OutputError, SettingsError
from scanproc.files.atomic import output_errors
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.fitting import in_threads
from scanproc.steps.each import Each, nobody, told
from scanproc.version import VERSION

Item = TypeVar("Item")
Answer = TypeVar("Answer")
CONNECT_S = 20.0
ASK_AGAIN_S = 2.0

QUIET = {"DASK_LOGGING__DISTRIBUTED": "critical", "DASK_LOGGING__TORNADO": "critical"}
"""Inherited by the worker processes: what a worker meets is told by the batch, in its own words."""

LOCAL = {
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 0.95,
    "distributed.worker.memory.monitor-interval": "50ms",
    "distributed.comm.timeouts.connect": "10s",
}
"""Tasks hold nothing when they end, so a worker beyond its limit is ended at once, not paused."""


class Workers(Protocol):
    """Where work is done: as many pieces at a time as there are ``slots``."""

    def slots(self) -> int: ...

    def submit(self, function: Callable[..., Answer], *arguments: Any) -> Future[Answer]: ...


class DaskWorkers:
    """Workers of a dask cluster; each thread of a worker is a slot."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._executor = client.get_executor(pure=False, retries=0)
        self._slots, self._asked = 0, -ASK_AGAIN_S

    def slots(self) -> int:
        """Threads of all workers. Raises OutputError when the scheduler has gone."""
        if time.monotonic() - self._asked >= ASK_AGAIN_S:
            try:
                self._slots = sum(self._client.nthreads().values())
            except (OSError, RuntimeError, TimeoutError) as error:
                raise _lost(self._client, error, "then the batch again: what is done stays done") from None
            self._asked = time.monotonic()
        return self._slots

    def submit(self, function: Callable[..., Answer], *arguments: Any) -> Future[Answer]:
        answer: Future[Answer] = self._executor.submit(function, *arguments)
        return answer


@contextmanager
def local_workers(
    count: int, memory_gib: float | None, scratch: Path, dashboard: bool = False
) -> Iterator[DaskWorkers]:
    """Worker processes on this machine, one thread each, that nobody outside it can reach.

    ``scratch`` is made for dask's files and removed, also what a killed batch left there.
    """
    with _quiet(), _made_anew(scratch):
        dask, distributed = import_module("dask"), import_module("distributed")
        limit = int(memory_gib * 2**30) if memory_gib else "auto"
        page = "127.0.0.1:8787" if dashboard else "127.0.0.1:0"
        routes: dict[str, Any] = {} if dashboard else {"distributed.scheduler.http.routes": []}
        with dask.config.set({**LOCAL, **routes, "temporary-directory": str(scratch)}), _deaf_to_ctrl_c():
            cluster = distributed.LocalCluster(
                n_workers=count,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address=page,
                worker_dashboard_address="127.0.0.1:0",
                memory_limit=limit,
                local_directory=str(scratch),
                silence_logs=False,
            )
        with cluster, distributed.Client(cluster, set_as_default=False) as client:
            yield DaskWorkers(client)


def memory_of_worker() -> int | None:
    """Bytes that the worker on which this runs may use; None on no worker, or without a limit."""
    try:
        worker = import_module("distributed").get_worker()
    except ValueError:
        return None
    return worker.memory_manager.memory_limit or None


@contextmanager
def existing_workers(address: str, output: Path) -> Iterator[DaskWorkers]:
    """Workers of a running scheduler, which is left as it is.

    Raises SettingsError when it cannot be reached, runs another version, or does not see ``output``.
    """
    with _quiet():
        with _deaf_to_ctrl_c():
            client = _connected(import_module("distributed").Client, address)
        with client:
            _refuse_strangers(client, address)
            _refuse_blind(client, output)
            yield DaskWorkers(client)


@contextmanager
def each_on(address: str | None) -> Iterator[Each]:
    """A map over the threads of a running scheduler's workers, or over this machine's cores where none is named.

    Work and items travel as they are; workers need no file. A worker that dies loses nothing: dask gives its items to
    others. Raises SettingsError when the scheduler cannot be reached or runs another version.
    """
    if address is None:
        yield in_threads
        return
    with _quiet():
        with _deaf_to_ctrl_c():
            client = _connected(import_module("distributed").Client, address)
        with client:
            _refuse_strangers(client, address)
            yield partial(_on_workers, client)


def _on_workers(
    client: Any,
    work: Callable[[Item], Answer],
    items: Iterable[Item],
    done: Callable[[Answer], None] = nobody,
) -> list[Answer]:
    distributed = import_module("distributed")
    running = client.map(partial(_with_one_blas_thread, work), list(items), pure=False)
    try:
        return told((one.result() for one in running), done)
    except distributed.KilledWorker:
        raise OutputError(
            "several workers died on the same part of the scan: give each more memory, or a thread less"
        ) from None
    except (CancelledError, OSError) as error:
        raise _lost(client, error, "then the command again") from None


def _with_one_blas_thread(work: Callable[[Item], Answer], item: Item) -> Answer:
    return one_blas_thread(work)(item)


def _connected(client: Any, address: str) -> Any:
    if address.startswith("tls://") and not import_module("dask").config.get("distributed.comm.tls.ca-file"):
        raise SettingsError(
            f"{address} needs certificates: state distributed.comm.tls (ca-file, client.cert, client.key) in dask's "
            "settings, see 'dask config list'"
        )
    try:
        return client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SettingsError(
            f"no scheduler answers at {address} within {CONNECT_S:.0f} s ({type(error).__name__}): "
            "start 'dask scheduler' there, or check --scheduler"
        ) from None


def _refuse_strangers(client: Any, address: str) -> None:
    """Asks by names that every Python knows, since a worker may have no scanproc or another one."""
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError:
        raise SettingsError(
            f"the scheduler {address} has no workers after {CONNECT_S:.0f} s: start 'dask worker {address}'"
        ) from None
    versions = client.run(eval, "__import__('scanproc.version').version.VERSION", on_error="return")
    for worker, found in versions.items():
        if found != VERSION:
            what = f"scanproc {found}" if isinstance(found, str) else f"no usable scanproc ({found})"
            raise SettingsError(
                f"the worker {worker} has {what}, this is scanproc {VERSION}: install the same on all"
            )


def _refuse_blind(client: Any, output: Path) -> None:
    for worker, sees in client.run(os.path.isdir, str(output / ".batch")).items():
        if not sees:
            raise SettingsError(f"the worker {worker} does not see {output}: use storage that all share")


def _lost(client: Any, error: BaseException, then: str) -> OutputError:
    return OutputError(f"lost the scheduler {_address(client)}: {type(error).__name__}; start it, {then}")


def _address(client: Any) -> str:
    return str(getattr(getattr(client, "scheduler", None), "address", ""))


@contextmanager
def _quiet() -> Iterator[None]:
    """No line of dask's own, here or in worker processes, whatever was imported before."""
    before = {name: os.environ.get(name) for name in QUIET}
    os.environ.update(QUIET)
    import_module("distributed")  # sets the levels of its loggers
    for name in ("distributed", "distributed.client", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _made_anew(scratch: Path) -> Iterator[None]:
    with output_errors(scratch):
        shutil.rmtree(scratch, ignore_errors=True)
        scratch.mkdir(parents=True)
    try:
        yield
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Threads and processes made inside, and theirs, never see Ctrl-C: only the batch itself does.

    A blocked signal stays blocked in what a thread starts. The resource tracker, which unblocks it, starts first.
    """
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
