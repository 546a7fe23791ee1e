"""From a result to files for other tools: the recipe of ``scanproc export``."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from scanproc.errors import OutputError, SettingsError, naming
from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import file_hash
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.curve_table import write_curves
from scanproc.files.outgoing.export_archive import write_hdf5, write_npz
from scanproc.files.outgoing.export_sofa import NOT_STATED, About, write_sofa, write_sofa_impulses
from scanproc.files.outgoing.export_text import stems, write_text
from scanproc.files.outgoing.export_wav import write_wav
from scanproc.files.outgoing.tables import FAR_FIELD, write_direction_tables
from scanproc.files.replacing import EXPORT, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import Expansion
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.datasheet import all_curves, datasheet
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.exports import AboutTable, ExportSettings, read_filters
from scanproc.steps.farfield.calibration import curves_with, directions_with
from scanproc.steps.farfield.curves import band_levels
from scanproc.steps.farfield.filters import filtered
from scanproc.steps.farfield.grid import (
    Smoothing,
    impulse_responses,
    interpolation_errors_db,
    keep_delay,
    on_grid,
    smooth,
)
from scanproc.steps.farfield.sets import STRAIGHT, Angles, Turn, direction_set, named_set
from scanproc.version import VERSION
from scanproc.waves.bands import octave_fractions

FORMATS = ("csv", "text", "wav", "sofa", "sofa-ir", "npz", "hdf5")
IMPULSE_FORMATS = {"wav", "sofa-ir"}
MANIFEST = "manifest.json"


@dataclass(frozen=True)
class Wanted:
    """What an export holds. ``turn`` is for the sets given by name; sets made to order bring their own.

    ``per_octave``: None for the scan's own frequencies; ``bands_per_octave``: levels of the curves in bands as well.
    ``smoothing``: octave fraction and kind.

    >>> sp.ExportWanted(names=("orbits-30",), formats=("wav",), keep_delay=True).formats
    ('wav',)
    """

    names: tuple[str, ...] = ("orbits-10",)
    formats: tuple[str, ...] = ("csv",)
    filters: tuple[Path, ...] = ()
    turn: Turn = STRAIGHT
    per_octave: int | None = None
    smoothing: tuple[float, Smoothing] | None = None
    keep_delay: bool = False
    bands_per_octave: int | None = None
    sampling_rate_hz: float = 48000.0
    samples: int = 16384


@one_blas_thread
def export(
    result_path: Path | str,
    output: Path | str,
    wanted: Wanted,
    settings: ExportSettings | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> dict[str, Any]:
    """Writes a directory of exports with a manifest, whole or not at all; returns the manifest.

    An earlier export is replaced when ``force`` is on, see :mod:`scanproc.files.replacing`. Raises
    ResultFileError, SettingsError, ScanDataError, OutputError.
    """
    settings = settings or ExportSettings()
    source, directory = Path(result_path), Path(output)
    _refuse_unknown(wanted)
    sets = [(named_set(name), wanted.turn) for name in dict.fromkeys(wanted.names)]
    sets += [(one.angles(), one.turn) for one in settings.set]
    _refuse_twice([angles.name for angles, _ in sets])
    refuse = partial(check_directory, kind=EXPORT, reads=[source, *wanted.filters], force=force)
    refuse(directory)
    read = [read_filters(path) for path in wanted.filters]
    chain, said = [stage for stages, _ in read for stage in stages], [words for _, words in read]
    result = read_result(source)
    with naming(source):
        driven = filtered(result.expansion, chain) if chain else result.expansion
        with whole_directory(directory, refuse) as draft:
            about = _about(result, settings.about)
            entries, kept = [], []
            for done, (angles, turn) in enumerate(sets):
                progress("sets exported", done, len(sets))
                directions, responses, entry = _export_set(
                    draft, (driven, _level_error_db(result)), angles, turn, wanted, about
                )
                entries.append(entry)
                kept.append((directions, responses))
            progress("sets exported", len(sets), len(sets))
            if "hdf5" in wanted.formats:
                write_hdf5(draft / "directions.h5", [one for one, _ in kept], [one for _, one in kept if one])
            curves = _export_curves(draft, result, driven, wanted, settings)
            manifest = {
                "format": "scanproc export",
                "layout_version": 1,
                "scanproc_version": VERSION,
                "written_at": about.date,
                "source": {"result": source.name, "result_sha256": file_hash(source), **result.provenance},
                "phase": _phase_words(wanted),
                "filters": said,
                "sets": entries,
                **curves,
                "files": _checksums(draft),
            }
            write_json(draft / MANIFEST, manifest)
    return manifest


def _export_set(
    draft: Path, source: tuple[Expansion, float], angles: Angles, turn: Turn, wanted: Wanted, about: About
) -> tuple[DirectionSet, ImpulseSet | None, dict[str, Any]]:
    """Writes one direction set of an expansion, whose levels share an error in dB, in all formats of its own; returns
    what was written and its entry in the manifest."""
    expansion, level_error_db = source
    plain = directions_with(direction_set(expansion, angles, turn), level_error_db)
    directions = _as_wanted(plain, wanted)
    place, formats = draft / angles.name, wanted.formats
    responses = None
    if IMPULSE_FORMATS & set(formats):
        responses = impulse_responses(plain, wanted.sampling_rate_hz, wanted.samples, keep=wanted.keep_delay)
    place.mkdir()
    if "csv" in formats:
        write_direction_tables(place / "csv", directions)
    if "text" in formats:
        write_text(place / "text", directions)
    if "npz" in formats:
        write_npz(place / f"{angles.name}.npz", directions, responses)
    if "sofa" in formats:
        _enough_space(draft, 3 * directions.pressure_pa_m.nbytes)
        write_sofa(place / f"{angles.name}.sofa", directions, about)
    if responses is not None:
        _export_impulses(place, responses, stems(directions), formats, about)
    return directions, responses, _entry(directions, plain, turn, responses)


def _as_wanted(directions: DirectionSet, wanted: Wanted) -> DirectionSet:
    if wanted.per_octave is not None:
        hz = directions.frequency_hz
        directions = on_grid(directions, octave_fractions(float(hz[0]), float(hz[-1]), wanted.per_octave))
    if wanted.smoothing is not None:
        directions = smooth(directions, *wanted.smoothing)
    return keep_delay(directions) if wanted.keep_delay else directions


def _export_impulses(
    place: Path, responses: ImpulseSet, names: list[str], formats: Sequence[str], about: About
) -> None:
    if "wav" in formats:
        write_wav(place / "wav", responses, names)
    if "sofa-ir" in formats:
        _enough_space(place, 3 * responses.response_pa_m.nbytes)
        write_sofa_impulses(place / f"{responses.name}_ir.sofa", responses, about)


def _export_curves(
    draft: Path, result: Result, driven: Expansion, wanted: Wanted, settings: ExportSettings
) -> dict[str, Any]:
    """curves.csv, with filters also curves_before.csv; returns the datasheets for the manifest."""
    curves: Curves = all_curves(driven, settings.curves, wanted.turn)
    level_error_db = _level_error_db(result)
    told = curves_with(curves, level_error_db)
    write_curves(draft / "curves.csv", told)
    if wanted.bands_per_octave is not None:
        write_curves(draft / "curves_in_bands.csv", band_levels(told, wanted.bands_per_octave))
    found = {"datasheet": datasheet(curves, settings.curves, level_error_db)}
    if driven is not result.expansion:
        earlier = all_curves(result.expansion, settings.curves, wanted.turn)
        write_curves(draft / "curves_before.csv", curves_with(earlier, level_error_db))
        found["datasheet_before"] = datasheet(earlier, settings.curves, level_error_db)
    return found


def _level_error_db(result: Result) -> float:
    """The standard error that all levels share."""
    return float(result.provenance.get("level_error_db") or 0.0)


def _entry(
    directions: DirectionSet, plain: DirectionSet, turn: Turn, responses: ImpulseSet | None
) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "name": directions.name,
        "angles": directions.angles,
        "frequencies": len(directions.frequency_hz),
        "lowest_hz": float(directions.frequency_hz[0]),
        "highest_hz": float(directions.frequency_hz[-1]),
        "toe_in_deg": turn.toe_in_deg,
        "tilt_deg": turn.tilt_deg,
        "holds": FAR_FIELD if directions.distance_m is None else "rms pressure in Pa at the seat",
        "level": "re 20 µPa",
        "delay": directions.delay,
    }
    if responses is not None or len(directions.frequency_hz) != len(plain.frequency_hz):
        entry["interpolation_error_by_angle"] = _interpolation(plain)
    if responses is not None:
        entry["impulse_responses"] = {
            "sampling_rate_hz": responses.sampling_rate_hz,
            "samples": responses.response_pa_m.shape[1],
            "time_zero_sample": responses.time_zero_sample,
            "lowest_hz": responses.band_hz[0],
            "highest_hz": responses.band_hz[1],
            "full_scale": "1.0 is 1 Pa (rms phasor at the drive voltage) per unit spectrum",
        }
    return entry


def _interpolation(directions: DirectionSet) -> list[dict[str, Any]]:
    """What interpolation costs at each angle, as a relative error in dB and at its worst third octave."""
    told = zip(stems(directions), *interpolation_errors_db(directions), strict=True)
    return [
        {"angle": name, "rms_db": round(rms, 1), "worst_db": round(worst, 1), "worst_near_hz": round(hz)}
        for name, rms, worst, hz in told
    ]


def _phase_words(wanted: Wanted) -> dict[str, Any]:
    kept = "kept: the phase holds the delay over 1 m, at seats over their distance"
    removed = "removed: the factor e^{+jkr} takes out the delay from the scan's origin"
    smoothing = "none"
    if wanted.smoothing is not None:
        smoothing = f"1/{wanted.smoothing[0]:g} octave, {wanted.smoothing[1]}"
    return {"time": "e^{+jωt}", "delay": kept if wanted.keep_delay else removed, "smoothing": smoothing}


def _about(result: Result, table: AboutTable) -> About:
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
    device = str(result.provenance.get("device") or NOT_STATED)
    return replace(About(**table.model_dump()), device=device, date=now)


def _checksums(draft: Path) -> dict[str, dict[str, Any]]:
    files = sorted(path for path in draft.rglob("*") if path.is_file())
    return {
        path.relative_to(draft).as_posix(): {"bytes": path.stat().st_size, "sha256": file_hash(path)}
        for path in files
    }


def _enough_space(place: Path, needed: int) -> None:
    """netCDF may take the process down on a full disk, so the room is looked at first."""
    free = shutil.disk_usage(place).free
    if free < needed + 2**20:
        raise OutputError(
            f"needs about {needed / 2**20:.0f} MiB, {free / 2**20:.0f} are free: make room, then run again",
            path=place,
        )


def _refuse_unknown(wanted: Wanted) -> None:
    for one in wanted.formats:
        if one not in FORMATS:
            raise SettingsError(f"no format {one!r}: known are {', '.join(FORMATS)}")
    if wanted.samples < 64 or wanted.samples % 2:
        raise SettingsError(f"samples must be an even number from 64, got {wanted.samples}")


def _refuse_twice(names: list[str]) -> None:
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise SettingsError(f"two direction sets are called {twice!r}: rename one")
