"""What the scan of a like device has told that a plan can use."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.answers.result import Result
from scanproc.records.answers.study import Study
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.steps.field.residuals import band_middles
from scanproc.steps.model.box import Box
from scanproc.waves.bands import third_octave_index


@dataclass(frozen=True, eq=False)
class Earlier:
    """An earlier scan of a device called ``name`` about ``box``, by third-octave band (B,) that it holds.

    ``band`` (B,) numbers of the bands, ``frequency_hz``, ``wavenumber_rad_m`` and the predicted ``error_db`` (B,) of
    the frequency next to each middle; ``position_m`` (points, 3) in ``layer`` (points,) or one; ``plans``: what was
    learnt, each from its first frequency on; ``study``: how many of its points were enough, None where nobody asked.
    """

    name: str
    box: Box
    band: Integer
    frequency_hz: Real
    wavenumber_rad_m: Real
    error_db: Real
    position_m: Real
    layer: Integer | None
    plans: tuple[FitPlan, ...]
    study: Study | None = None

    def plan_at(self, frequency_hz: float) -> FitPlan:
        """Of the sound as it was fitted there."""
        return [one for one in self.plans if one.frequency_hz[0] <= frequency_hz][-1]

    def curve_at(self, band_hz: float) -> tuple[Real, Real]:
        """Numbers of points that were tried in a band and the errors with them; empty where none were."""
        band = self._studied(band_hz)
        return (np.empty(0), np.empty(0)) if self.study is None or band is None else self.study.curve(band)

    def corrected_db(self, band_hz: float, points: float) -> float:
        """What fits of parts add to the error told for so many points."""
        band = self._studied(band_hz)
        return 0.0 if self.study is None or band is None else self.study.corrected_db(band, points)

    def refused(self, band_hz: float) -> str:
        """Why the study tells nothing of a band, or nothing."""
        band = self._studied(band_hz)
        if self.study is None or band is None or len(self.study.curve(band)[0]):
            return ""
        return self.study.reason[band]

    def _studied(self, band_hz: float) -> int | None:
        """Index in the study."""
        if self.study is None:
            return None
        same = third_octave_index(self.study.band_hz) == third_octave_index(np.array([band_hz]))[0]
        return int(np.argmax(same)) if same.any() else None

    def moved_to(self, box: Box) -> Earlier:
        """The same for a device in another box: points and places keep their place relative to it.

        Raises SettingsError when the points would not clear it.
        """
        scale = float(np.linalg.norm(box.size_m) / np.linalg.norm(self.box.size_m))
        position = box.centre_m + scale * (self.position_m - self.box.centre_m)
        if np.any(np.max(np.abs(position - box.centre_m) - box.size_m / 2, axis=1) <= 0):
            wanted, had = (" x ".join(f"{side:g}" for side in one.size_m) for one in (box, self.box))
            raise SettingsError(
                f"a device of {wanted} m is not like that of the earlier scan, {had} m, whose points it would not "
                "clear: plan it without that scan"
            )

        def moved(plan: FitPlan) -> FitPlan:
            place = box.centre_m + (plan.place_m - self.box.centre_m) * box.size_m / self.box.size_m
            return replace(plan, box_centre_m=box.centre_m, box_size_m=box.size_m, place_m=place)

        plans = tuple(moved(one) for one in self.plans)
        return replace(self, box=box, position_m=position, plans=plans)


def earlier_scan(result: Result) -> Earlier:
    """What a result holds for plans. Raises SettingsError when it holds nothing of that."""
    expansion = result.expansion
    if not result.learnt or expansion.residual is None:
        raise SettingsError(
            "the result holds no weights of a model: it was fitted by least squares alone, or by an earlier version; "
            "convert the scan again"
        )
    middles = band_middles(expansion.frequency_hz)
    first = result.learnt[0]
    return Earlier(
        str(result.provenance.get("device") or "a device without a name"),
        Box(first.box_centre_m, first.box_size_m),
        third_octave_index(expansion.frequency_hz[middles]),
        expansion.frequency_hz[middles],
        expansion.wavenumber_rad_m[middles],
        expansion.far_field_error_db[middles],
        expansion.residual.position_m,
        expansion.residual.layer,
        result.learnt,
        result.study,
    )
