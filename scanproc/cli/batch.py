"""``scanproc batch``: a folder of scans to all their results, unattended."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.options import with_settings

if TYPE_CHECKING:
    from scanproc.run.cluster import Workers
    from scanproc.run.night.batch import Wanted


@as_command(
    "batch", example="scanproc batch scans -o results -c configs/overnight.toml --until 07:00", topic="batch"
)
@click.argument("sources", nargs=-1, required=True, metavar="SOURCE...")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Directory of results.")
@with_settings
@click.option("--scheduler", metavar="ADDRESS", help="Use a running dask cluster instead of a local one.")
@click.option("--workers", type=click.IntRange(min=1), help="Local workers; as many as processors if absent.")
@click.option("--memory", type=click.FloatRange(min=0.5), metavar="GIB", help="Memory of each local worker.")
@click.option("--dashboard", is_flag=True, help="dask's own page on 127.0.0.1:8787 (needs bokeh).")
@click.option("--follow", is_flag=True, help="Keep looking for new scans until --until or Ctrl-C.")
@click.option("--until", metavar="HH:MM", help="Begin nothing after this time of day.")
@click.option("--retry-failed", is_flag=True, help="Try again what failed before.")
@click.option("--dry-run", is_flag=True, help="Say what would be done and why, and do nothing.")
def command(
    sources: tuple[str, ...],
    output: Path,
    config: Path | None,
    scheduler: str | None,
    workers: int | None,
    memory: float | None,
    dashboard: bool,
    follow: bool,
    until: str | None,
    retry_failed: bool,
    dry_run: bool,
    as_json: bool,
) -> Outcome:
    """Convert many scans, each whole or not at all.

    A SOURCE is a folder, a scan, a pattern ("night/**/*.h5") or a text file with a path on each line. Settings in
    NAME.toml beside NAME.h5 go before those of --config. Started again, it does only what is missing or changed.

    Ctrl-C once finishes the blocks of frequencies that are running, twice stops at once; the next
    start goes on from there.
    """
    if scheduler and (workers or memory or dashboard):
        raise click.UsageError("--workers, --memory and --dashboard are for local workers, not --scheduler")
    from scanproc.cli.terminal.batch_view import watched
    from scanproc.run.cluster import existing_workers, local_workers
    from scanproc.run.night.batch import Wanted, batch

    deadline = _time_of_day(until) if until else None
    wanted = Wanted(sources, output, config, retry_failed, follow, deadline)
    if dry_run:
        return _plan(wanted)

    def pool(directory: Path) -> AbstractContextManager[Workers]:
        if scheduler:
            return existing_workers(scheduler, directory)
        return local_workers(workers or _processors(), memory, directory / ".batch" / "scratch", dashboard)

    try:
        with watched() as watcher:
            done = batch(wanted, pool, watcher)
    except KeyboardInterrupt:
        text = "stopped at once: start it again to go on from the last blocks of frequencies"
        return Outcome({"stopped": text}, [text], 130)
    from scanproc.report.words.overview import as_json as document
    from scanproc.report.words.overview import as_lines

    stopped = [f"Stopped early: {done.stopped}"] if done.stopped else []
    return Outcome(
        {**document(done.rows), "stopped": done.stopped, "output": str(output)},
        [*as_lines(done.rows), *stopped, f"Results are in {output}"],
        done.exit_code,
    )


def _plan(wanted: Wanted) -> Outcome:
    from scanproc.run.night.batch import dry_run

    found = dry_run(wanted)
    width = max((len(job.name) for job, _ in found), default=0)
    scans = [
        {"name": job.name, "scan": str(job.source), "action": choice.action, "reason": choice.reason}
        for job, choice in found
    ]
    words = {"do": "do", "skip": "skip", "keep": "failed"}
    lines = [f"{job.name:{width}}  {words[choice.action]:6}  {choice.reason}" for job, choice in found]
    todo = sum(choice.action == "do" for _, choice in found)
    return Outcome({"scans": scans}, [*lines, f"{len(found)} scans, {todo} to do"])


def _processors() -> int:
    return len(os.sched_getaffinity(0))


def _time_of_day(text: str) -> datetime:
    """The next moment at which the clock shows HH:MM."""
    try:
        clock = datetime.strptime(text, "%H:%M").time()
    except ValueError:
        raise click.UsageError(f"--until must be a time of day as HH:MM, got {text!r}") from None
    now = datetime.now().astimezone()
    moment = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    return moment if moment > now else moment + timedelta(days=1)
