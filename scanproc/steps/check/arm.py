"""Small errors of the arm, found from the sound itself: what makes the points agree with each other best.

For an arm that turns about a vertical axis through the origin: its own zero may be off (outwards, sideways), its
upright may lean, its scale may be wrong (as a wrong speed of sound is: the two cannot be told apart). An error that
moves every point alike, or turns all of them, cannot be seen: it is the same as a device that stands elsewhere, and
changes no level. Nor can a delay that all points share. One layer shows little; two layers, or a surface that is no
sphere, show all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Boolean, Complex, Real
from scanproc.records.measured.scan import Scan
from scanproc.steps.check.nuisance import Place, Unknown, solve
from scanproc.steps.check.prediction import Prediction, predict

FREQUENCIES = 6
STEPS = 8
SIGNIFICANT = 5.0
KNOWN_SHARE = 0.25
"""An unknown whose standard error stays above this part of its prior deviation was not seen by the data."""
LEAST_GAIN_DB = 0.5
"""Held-out error must fall by this much, or nothing counts as found."""
NAMES = ("outwards_m", "sideways_m", "lean_outwards", "lean_sideways", "scale")
UNITS = (
    (1e3, "mm outwards"),
    (1e3, "mm sideways"),
    (1e3, "mm/m leaning outwards"),
    (1e3, "mm/m leaning sideways"),
    (100.0, "% in scale"),
)
PRIORS = (0.03, 0.03, 0.02, 0.02, 0.02)


@dataclass(frozen=True, eq=False)
class ArmErrors:
    """What is wrong with the arm: ``value`` and ``standard_error`` by name (see ``NAMES``).

    ``outwards_m`` and ``sideways_m``: every point lies so much farther from the axis, or along its circle (towards
    +azimuth), than stated; ``lean_outwards`` and ``lean_sideways``: the same per metre of height; ``scale``: all
    distances are longer by this part. ``before_db`` and ``after_db``: held-out error as stated and as corrected.
    """

    value: Real
    standard_error: Real
    before_db: float
    after_db: float

    @property
    def known(self) -> Boolean:
        """Which of the numbers the data can tell at all."""
        return np.asarray(self.standard_error < KNOWN_SHARE * np.array(PRIORS))

    @property
    def found(self) -> bool:
        """Whether something is wrong beyond doubt, and worth correcting."""
        beyond = np.abs(self.value) > SIGNIFICANT * self.standard_error
        return bool(np.any(beyond & self.known)) and self.before_db - self.after_db > LEAST_GAIN_DB

    def words(self) -> str:
        """What was found, in a sentence."""
        parts = [
            f"{factor * value:+.2f} ± {2 * factor * error:.2f} {unit}"
            for value, error, known, (factor, unit) in zip(
                self.value, self.standard_error, self.known, UNITS, strict=True
            )
            if known
        ]
        if not parts:
            return "errors of the arm cannot be told with these points"
        fall = f"held-out error {self.before_db:.1f} dB as stated, {self.after_db:.1f} dB with it"
        return f"the arm seems off by {', '.join(parts)} ({fall})"

    def corrected(self, position_m: Real) -> Real:
        """The positions (points, 3) as they seem to have been."""
        return moved(position_m, np.where(self.known, self.value, 0.0))


def moved(position_m: Real, value: Real) -> Real:
    """The positions with the arm's errors applied, (points, 3)."""
    outwards, sideways, lean_outwards, lean_sideways, scale = value
    out, side = _axes(position_m)
    height = position_m[:, 2:]
    arm = (outwards + lean_outwards * height) * out + (sideways + lean_sideways * height) * side
    shifted: Real = (position_m + arm) * (1 + scale)
    return shifted


def estimate_arm_errors(scan: Scan, used: Boolean | None = None) -> ArmErrors:
    """The arm's errors, by Gauss-Newton steps from low frequencies to high, at a few frequencies of the scan.

    ``used`` (points,) marks the points that are not at fault. Raises ScanDataError when the points are too few.
    """
    every = np.ones(scan.points, dtype=bool) if used is None else used
    unknowns = tuple(Unknown(name, prior, _CHANGES[name]) for name, prior in zip(NAMES, PRIORS, strict=True))
    value, error = np.zeros(len(NAMES)), np.array(PRIORS)
    before = _level_db(predict(scan, every))
    for turn in range(STEPS):
        position = moved(scan.setup.position_m, value)
        here = predict(replace(scan, setup=replace(scan.setup, position_m=position)), every)
        reach = max(2, round(len(here.order) * min(1.0, (turn + 1) / (STEPS / 2))))
        chosen = np.unique(np.linspace(0, reach - 1, min(reach, FREQUENCIES)).round().astype(int))
        step = solve(scan.take_frequencies(chosen), every, here.order[chosen], position, unknowns, value)
        value, error = value + step.change, step.standard_error
        if reach == len(here.order) and np.all(np.abs(step.change) < 0.05 * error):
            break
    position = moved(scan.setup.position_m, value)
    after = _level_db(predict(replace(scan, setup=replace(scan.setup, position_m=position)), every))
    return ArmErrors(value, error, before, after)


def _level_db(prediction: Prediction) -> float:
    return float(np.mean(prediction.level_db))


def _axes(position_m: Real) -> tuple[Real, Real]:
    """Unit vectors away from the vertical axis and along the circle about it, (points, 3) each."""
    turn = np.arctan2(position_m[:, 1], position_m[:, 0])
    zero = np.zeros_like(turn)
    return np.stack([np.cos(turn), np.sin(turn), zero], axis=1), np.stack(
        [-np.sin(turn), np.cos(turn), zero], axis=1
    )


def _along(place: Place, direction: Real) -> Complex:
    return np.asarray(np.einsum("pi,pi->p", place.gradient, direction), np.complex128)


_CHANGES = {
    "outwards_m": lambda place: _along(place, _axes(place.position_m)[0]),
    "sideways_m": lambda place: _along(place, _axes(place.position_m)[1]),
    "lean_outwards": lambda place: _along(place, place.position_m[:, 2:] * _axes(place.position_m)[0]),
    "lean_sideways": lambda place: _along(place, place.position_m[:, 2:] * _axes(place.position_m)[1]),
    "scale": lambda place: _along(place, place.position_m),
}
