"""What a filter can mend, from a result: the recipe of ``scanproc advise``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.conventions import Real, level_db
from scanproc.errors import SettingsError, naming
from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import file_hash, write_hashes
from scanproc.files.incoming.target_curve import read_target
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.curve_table import write_curves
from scanproc.files.outgoing.filter_files import write_filters
from scanproc.files.replacing import ADVICE, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.records.answers.advice import Advice, Departures, Effect, Proposal
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.words.advice import advice_json
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.reference import result_at
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.exports import SeatSet, read_export_settings
from scanproc.steps.advise.bands import Limits, changed_rms, propose
from scanproc.steps.advise.departures import Target, Together, at_seats, in_room
from scanproc.steps.advise.resonances import resonances
from scanproc.steps.farfield.curves import derived_curves
from scanproc.steps.farfield.filters import Biquad, Simple, Stage, filtered
from scanproc.steps.farfield.headline import headline
from scanproc.steps.farfield.sets import Angles, Turn, direction_set, listed_angles, seat_angles

SIDEWAYS_DEG = (-60, -30, 30, 60)
STEPS = 3
STEEPEST_DB = 12.0
MOST_BANDS, MOST_BOOST_DB = 12, 12.0
FLAT = "flat"


@dataclass(frozen=True)
class AdviseChoices:
    """``target``: "flat" on the axis, dB per octave of the in-room response, or the path of a CSV. ``bands``: at most
    so many, that raise nothing by more than ``boost_db`` over the median. ``from_hz`` and ``up_to_hz``: where filters
    act, from where the axis has fallen by 6 dB and to the end of the scan unless said. ``seats_m``: x, y, z of seats;
    then filters are for the direct sound there, ``together`` for their "mean" or the one farthest off ("minimax").
    The device is turned by ``toe_in_deg`` and ``tilt_deg`` first. Raises SettingsError."""

    target: str | float | Path = "flat"
    bands: int = 5
    boost_db: float = 3.0
    from_hz: float | None = None
    up_to_hz: float | None = None
    rate_hz: float = 48000.0
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

    @property
    def turn(self) -> Turn:
        return Turn(self.toe_in_deg, self.tilt_deg)


@one_blas_thread
def advise(expansion: Expansion, choices: AdviseChoices | None = None, progress: Progress = silent) -> Advice:
    """Resonances, what a filter can mend, and filters. Raises ScanDataError and SettingsError."""
    choices = choices or AdviseChoices()
    target = _target(choices.target)
    rate, highest = choices.rate_hz, float(expansion.frequency_hz[-1])
    if highest >= rate / 2:
        raise SettingsError(
            f"filters at {rate:g} Hz end at {rate / 2:g} Hz, the result reaches {highest:g} Hz: raise the sampling rate"
        )
    progress("parts of the advice", 0, STEPS)
    before = derived_curves(expansion, turn=choices.turn)
    sideways = _listening(expansion, _sideways(), choices.turn)
    seats = _at_seats(expansion, choices)
    band = _band(before, choices)
    room = in_room(before, target, band, sideways)
    wanted = room
    if seats:
        wanted = at_seats(before.frequency_hz, seats, target, band, choices.together)
    progress("parts of the advice", 1, STEPS)
    found = resonances(expansion, choices.turn)
    progress("parts of the advice", 2, STEPS)
    proposal = propose(wanted, Limits(choices.bands, choices.boost_db, rate))
    driven = filtered(expansion, stages(proposal))
    after = derived_curves(driven, turn=choices.turn)
    progress("parts of the advice", STEPS, STEPS)
    return Advice(
        found,
        wanted,
        proposal,
        _effects(room, wanted, proposal),
        replace(before, curves=(*before.curves, *seats)),
        replace(after, curves=(*after.curves, *_at_seats(driven, choices))),
    )


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
        advice = advise(result.expansion, choices, progress)
    document = advice_json(advice)
    if output is not None:
        from scanproc.report.drawing.static import save
        from scanproc.report.figures.advice import advice_figure

        with whole_directory(output, refuse) as draft:
            write_filters(draft, advice.proposal)
            save(advice_figure(advice), draft / "advice.svg")
            write_curves(draft / "curves_before.csv", advice.before)
            write_curves(draft / "curves.csv", advice.after)
            made_from = {"result": source.name, "result_sha256": file_hash(source), **result.provenance}
            write_json(draft / ADVICE.mark, {**document, "source": made_from})
            write_hashes(draft)
    return advice, document


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


def stages(proposal: Proposal) -> list[Stage]:
    """The gain for headroom and the bands, as drive filters."""
    rate = proposal.sampling_rate_hz
    bands = (Biquad(one.kind, one.frequency_hz, one.q, one.gain_db, rate) for one in proposal.bands)
    return [Simple(gain_db=-proposal.headroom_db), *bands]


def _band(curves: Curves, choices: AdviseChoices) -> tuple[float, float]:
    low, high = (float(edge) for edge in curves.frequency_hz[[0, -1]])
    fallen = headline(curves).low_limit["-6 dB"]
    start = choices.from_hz or (low if fallen is None else fallen.value)
    end = choices.up_to_hz or high
    if start < low * (1 - 1e-9) or end > high * (1 + 1e-9) or start >= end:
        raise SettingsError(
            f"filters must act within the result's {low:g} to {high:g} Hz, got {start:g} to {end:g} Hz: change the band"
        )
    return start, end


def _sideways() -> Angles:
    return listed_angles("sideways", [(angle, 0) for angle in SIDEWAYS_DEG])


def _at_seats(expansion: Expansion, choices: AdviseChoices) -> list[Curve]:
    if not len(choices.seats_m):
        return []
    return _listening(expansion, seat_angles("seats", choices.seats_m), choices.turn)


def _listening(expansion: Expansion, angles: Angles, turn: Turn) -> list[Curve]:
    """Levels in free space; at seats those there, else at 1 m."""
    found = direction_set(expansion, angles, turn)
    distance: Real = np.ones(found.angles) if found.distance_m is None else found.distance_m
    level = level_db(found.pressure_pa_m / distance[:, None], found.drive_voltage_v)
    if found.distance_m is None:
        names = [f"{abs(angle)} deg {'left' if angle > 0 else 'right'}" for angle in SIDEWAYS_DEG]
    else:
        names = [f"seat {number + 1}" for number in range(found.angles)]
    rows = zip(names, level, found.standard_error_db, strict=True)
    return [Curve(name, "dB", value, error) for name, value, error in rows]


def _effects(room: Departures, wanted: Departures, proposal: Proposal) -> tuple[Effect, ...]:
    """The room, what is served, angles to the side, and seats."""
    rows = [(room.curve, room.off_db), *zip(room.others, room.others_db, strict=True)]
    if wanted is not room:
        rows += zip(wanted.others, wanted.others_db, strict=True)
    return tuple(
        Effect(name, changed_rms(room, off), changed_rms(room, off + proposal.level_db)) for name, off in rows
    )
