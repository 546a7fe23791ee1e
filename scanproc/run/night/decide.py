"""Do or skip: whether a scan's results are there, whole, and those of this scan and these settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from scanproc.errors import InputError, OutputError
from scanproc.files.atomic import clear_leftovers
from scanproc.files.hashing import file_hash, first_difference
from scanproc.files.json_file import plain, read_json
from scanproc.files.replacing import RESULT, check_directory
from scanproc.run.night.jobs import Job
from scanproc.run.night.ledger import Entry
from scanproc.run.settings.conversion import Settings
from scanproc.version import RESULTS_VERSION, VERSION


@dataclass(frozen=True)
class Decision:
    """``action`` is "do", "skip" (done already) or "keep" (failed before, or not ours to touch); ``summary`` that of a
    result."""

    action: str
    reason: str
    summary: Mapping[str, Any] | None = None


def decide(job: Job, settings: Settings, last: Entry | None, retry_failed: bool) -> Decision:
    """What to do with a scan; a result counts only when all its hashes agree, one that was changed is kept.

    Raises nothing.
    """
    clear_leftovers(job.output)
    if not job.source.exists():
        return Decision("keep", f"{job.source}: there is no such file: check the path")
    if last and last["state"] == "failed" and not retry_failed and _same_failure(job, settings, last):
        return Decision("keep", f"failed before: {last.get('error')} (--retry-failed tries again)")
    decision = _by_results(job, settings)
    if decision.action == "do":
        try:
            check_directory(job.output, RESULT, reads=[job.source])
        except OutputError as error:
            return Decision("keep", str(error))
    return decision


def _by_results(job: Job, settings: Settings) -> Decision:
    if not (job.output / RESULT.mark).is_file():
        return Decision("do", "results are missing")
    try:
        summary = read_json(job.output / RESULT.mark)
        provenance = summary["provenance"]
        reason = _difference(job, settings, provenance)
    except (InputError, LookupError, TypeError, AttributeError):
        return Decision("do", "results are damaged: summary.json")
    if reason:
        return Decision("do", reason)
    version = provenance["scanproc_version"]
    note = "" if version == VERSION else f" by version {version}, this version ({VERSION}) gives the same"
    return Decision("skip", f"done{note}", summary)


def setting_changes(before: Any, now: Any, name: str = "") -> list[str]:
    """Settings that differ, each as "fit.order 30 to 40". One that the older version lacked counts as default."""
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        return [
            change
            for key in now
            for change in setting_changes(before.get(key, now[key]), now[key], f"{name}.{key}".lstrip("."))
        ]
    return [] if before == now else [f"{name} {before} to {now}"]


def _same_failure(job: Job, settings: Settings, last: Entry) -> bool:
    facts = (last.get("size"), last.get("mtime_ns"), last.get("results_version"))
    same_settings = not setting_changes(last.get("settings"), plain(settings.model_dump()))
    return facts == (*job.stamp, RESULTS_VERSION) and same_settings


def _difference(job: Job, settings: Settings, provenance: Mapping[str, Any]) -> str:
    """Why results cannot stay, in words; empty when they can."""
    if provenance["results_version"] != RESULTS_VERSION:
        return f"version {provenance['scanproc_version']} to {VERSION}, which gives other results"
    changes = setting_changes(provenance["settings"], plain(settings.model_dump()))
    if changes:
        return ", ".join(changes)
    if provenance["scan_sha256"] != file_hash(job.source):
        return "the scan has changed"
    missing = first_difference(job.output)
    return f"results are not whole: {missing} is missing" if missing else ""
