"""What a filter can mend, from a result: the recipe of ``scanproc advise``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.errors import SettingsError, naming
from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import file_hash, write_hashes
from scanproc.files.incoming.target_curve import read_target
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.curve_table import write_curves
from scanproc.files.outgoing.filter_files import write_filters
from scanproc.files.replacing import ADVICE, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.records.answers.advice import Advice
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.words.advice import advice_json
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.reference import result_at
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.exports import SeatSet, read_export_settings
from scanproc.steps.advise.advice import PARTS, TARGET_DB, Wish, advice
from scanproc.steps.advise.departures import Target, Together
from scanproc.steps.farfield.sets import Turn

STEEPEST_DB = 12.0
MOST_BANDS, MOST_BOOST_DB = 12, 12.0
FLAT = "flat"


@dataclass(frozen=True)
class AdviseChoices:
    """``target``: "flat" on the axis, dB per octave of the in-room response, or the path of a CSV. ``bands``: at most
    so many, that raise nothing by more than ``boost_db`` over the median. ``from_hz`` and ``up_to_hz``: where filters
    act; unless said from where the axis has fallen by 6 dB, and where the error meets the result's target.
    ``rate_hz``: 48 kHz, or the next multiple that the result needs. ``seats_m``: x, y, z of seats; then filters are for
    the direct sound there, ``together`` for their "mean" or the one farthest off ("minimax"). The device is turned by
    ``toe_in_deg`` and ``tilt_deg`` first. Raises SettingsError."""

    target: str | float | Path = "flat"
    bands: int = 5
    boost_db: float = 3.0
    from_hz: float | None = None
    up_to_hz: float | None = None
    rate_hz: float | None = None
    toe_in_deg: float = 0.0
    tilt_deg: float = 0.0
    seats_m: Sequence[Sequence[float]] = ()
    together: Together = "mean"

    def __post_init__(self) -> None:
        for name in ("rate_hz", "from_hz", "up_to_hz", "toe_in_deg", "tilt_deg"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise SettingsError(f"{name} must be a finite number, got {value:g}")
        if not 0 <= self.bands <= MOST_BANDS:
            raise SettingsError(f"bands must be from 0 to {MOST_BANDS}, got {self.bands}")
        if not 0 <= self.boost_db <= MOST_BOOST_DB:
            raise SettingsError(f"boost_db must be from 0 to {MOST_BOOST_DB:g}, got {self.boost_db:g}")
        if self.together not in ("mean", "minimax"):
            raise SettingsError(f"together must be mean or minimax, got {self.together!r}")
        if any(len(seat) != 3 or not np.all(np.isfinite(seat)) for seat in self.seats_m):
            raise SettingsError("each seat must be three finite numbers: x, y, z in m")

    def wish(self, error_db: float) -> Wish:
        """With the target read. Raises SettingsError or InputError."""
        return Wish(
            _target(self.target),
            self.bands,
            self.boost_db,
            self.from_hz,
            self.up_to_hz,
            error_db,
            self.rate_hz,
            Turn(self.toe_in_deg, self.tilt_deg),
            self.seats_m,
            self.together,
        )


@one_blas_thread
def advise(
    expansion: Expansion,
    choices: AdviseChoices | None = None,
    progress: Progress = silent,
    *,
    error_db: float = TARGET_DB,
) -> Advice:
    """Resonances, what a filter can mend, and filters. ``error_db``: the result's own target for the far-field error.

    Raises ScanDataError and SettingsError.
    """
    wish = (choices or AdviseChoices()).wish(error_db)
    return advice(expansion, wish, lambda done: progress("parts of the advice", done, PARTS))


@one_blas_thread
def advise_file(
    result_path: Path | str,
    choices: AdviseChoices | None = None,
    output: Path | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> tuple[Advice, dict[str, Any]]:
    """The same from a file, with the document for ``--json``; writes a directory if one is named.

    Raises ResultFileError, ScanDataError, SettingsError and OutputError.
    """
    source = result_at(Path(result_path))
    table = [] if choices is None or _slope(choices.target) is not None else [Path(str(choices.target))]
    refuse = partial(check_directory, kind=ADVICE, reads=[source, *table], force=force)
    if output is not None:
        refuse(output)
    result = read_result(source)
    with naming(source):
        found = advise(result.expansion, choices, progress, error_db=target_of(result))
    document = advice_json(found)
    if output is not None:
        from scanproc.report.drawing.static import save
        from scanproc.report.figures.advice import advice_figure

        with whole_directory(output, refuse) as draft:
            write_filters(draft, found.proposal)
            save(advice_figure(found), draft / "advice.svg")
            write_curves(draft / "curves_before.csv", found.before)
            write_curves(draft / "curves.csv", found.after)
            made_from = {"result": source.name, "result_sha256": file_hash(source), **result.provenance}
            write_json(draft / ADVICE.mark, {**document, "source": made_from})
            write_hashes(draft)
    return found, document


def target_of(result: Result) -> float:
    """What its conversion aimed at, in dB."""
    fit = result.provenance.get("settings", {}).get("fit", {})
    return float(fit.get("target_db", TARGET_DB))


def seats_of(path: Path | str) -> dict[str, Any]:
    """The choices ``seats_m``, ``toe_in_deg`` and ``tilt_deg`` from the sets of seats among those made for an export.

    Raises SettingsError where there are none, or their turns differ.
    """
    sets = [one for one in read_export_settings(path).set if isinstance(one, SeatSet)]
    turns = {one.turn for one in sets}
    if len(turns) != 1:
        raise SettingsError(
            f"needs sets of kind seats that turn the device alike, got {len(sets)} with {len(turns)} different turns: "
            "change the sets",
            path=path,
        )
    (turn,) = turns
    seats = [seat for one in sets for seat in one.position_m]
    return {"seats_m": seats, "toe_in_deg": turn.toe_in_deg, "tilt_deg": turn.tilt_deg}


def _target(given: str | float | Path) -> Target:
    """Raises SettingsError or InputError."""
    slope = _slope(given)
    if slope is None:
        return Target(None, *read_target(str(given)))
    if not abs(slope) <= STEEPEST_DB and given != FLAT:
        raise SettingsError(f"the target must be within ±{STEEPEST_DB:g} dB per octave, got {given}")
    return Target() if given == FLAT else Target(slope)


def _slope(given: str | float | Path) -> float | None:
    """None where a path is given, NaN for what is flat on the axis."""
    try:
        return math.nan if given == FLAT else float(str(given))
    except (TypeError, ValueError):
        return None
