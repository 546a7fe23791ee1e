"""The outgoing field of a device as spherical coefficients, with what is known of their error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import REFERENCE_VOLTAGE_V, Complex, Integer, Real, mode_count, order_of
from scanproc.errors import ScanDataError
from scanproc.records.checked import Number, complex_array, integer_array, positive, real_array, short_repr
from scanproc.records.fitted import point_errors
from scanproc.records.fitted.near_field import NearField
from scanproc.records.fitted.point_errors import PointErrors

ESTIMATORS = ("truncated", "posterior")
"""How a column of coefficients was found; ``Expansion.estimator`` counts into this."""


@short_repr
@dataclass(frozen=True, eq=False)
class Expansion:
    """The outgoing field p = Σ a_nm · h_n(kr)/|h_n(k r_s)| · Y_nm(θ, φ) about a centre per frequency.

    All arrays have frequency (F) as last or only axis but ``centre_m``:

    - ``order`` (F,), ``centre_m`` (F, 3), ``scaling_radius_m`` (F,) r_s, ``wavenumber_rad_m`` (F,) k
    - ``coefficients_pa`` complex (modes, F), zero beyond the order
    - ``held_out_db`` (orders, F): error at left-out points for each order, dB; NaN where not defined
    - ``far_field_error_db`` (F,): predicted error of the far field, dB re its rms over the sphere
    - ``coefficient_variance_pa2`` (degrees, F): mean variance E|â - a|² of the coefficients of each degree;
      it may reach beyond the order, where it stands for what the expansion leaves out
    - ``variance_pattern`` (modes of a low order, F): the variance over directions relative to its mean, as
      a series of real harmonics whose mean over the sphere is one
    - ``average_covariance`` (averages, averages, F): what the relative errors Σ w p* ε / Σ w |p|² of the averages of
      :func:`~scanproc.waves.orbit_sets.averaged`, and of all directions last, have in common (real parts), which no
      kernel tells; None of truncated fits
    - ``estimator`` (F,): index into ``ESTIMATORS``
    - ``valid_radius_m`` (F,): beyond this distance from the centre the coefficients hold; 0 where nobody said
    - ``near_field``: one for each frequency, for places nearer than that; None of truncated fits
    - ``residual``: what the fit left over at its points, at one frequency or so of each third-octave band

    With the isotropic kernel s_n = ``coefficient_variance_pa2`` and the pattern g the error covariance of two
    far-field values is √(g(u) g(v)) Σ_n s_n |R_n|² (2n+1)/(4π) P_n(u·v), R_n the radial factor.

    Raises ScanDataError when a shape or a value cannot be used.
    """

    frequency_hz: Real
    order: Integer
    centre_m: Real
    scaling_radius_m: Real
    wavenumber_rad_m: Real
    coefficients_pa: Complex
    held_out_db: Real
    far_field_error_db: Real
    coefficient_variance_pa2: Real
    variance_pattern: Real
    estimator: Integer
    points: int
    drive_voltage_v: float = REFERENCE_VOLTAGE_V
    air_density_kg_m3: float = 1.204
    valid_radius_m: Real = field(default_factory=lambda: np.empty(0))
    near_field: Sequence[NearField] | None = None
    residual: PointErrors | None = None
    average_covariance: Real | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        count = len(self.frequency_hz)
        if not len(self.valid_radius_m):
            put(self, "valid_radius_m", np.zeros(count))
        for name in ("scaling_radius_m", "wavenumber_rad_m", "valid_radius_m"):
            put(self, name, real_array(name, getattr(self, name), (count,)))
        error = real_array("far_field_error_db", self.far_field_error_db, (count,), finite=False)
        put(self, "far_field_error_db", error)
        for name in ("order", "estimator"):
            put(self, name, integer_array(name, getattr(self, name), (count,)))
        put(self, "centre_m", real_array("centre_m", self.centre_m, (count, 3)))
        put(self, "coefficients_pa", complex_array("coefficients_pa", self.coefficients_pa, ("modes", count)))
        put(self, "held_out_db", real_array("held_out_db", self.held_out_db, ("orders", count), finite=False))
        for name in ("coefficient_variance_pa2", "variance_pattern"):
            put(self, name, real_array(name, getattr(self, name), ("entries", count)))
        if self.average_covariance is not None:
            shape = ("averages", "averages", count)
            put(self, "average_covariance", real_array("average_covariance", self.average_covariance, shape))
        put(self, "drive_voltage_v", positive("drive_voltage_v", self.drive_voltage_v))
        if count and self.order.min() < 0:
            raise ScanDataError(f"order must not be negative, got {self.order.min()}")
        if self.near_field is not None:
            put(self, "near_field", tuple(self.near_field))
            if len(self.near_field) != count:
                raise ScanDataError(f"near_field has {len(self.near_field)} entries for {count} frequencies")
        if count and mode_count(int(self.order.max())) > len(self.coefficients_pa):
            raise ScanDataError(
                f"coefficients_pa has {len(self.coefficients_pa)} modes, order {self.order.max()} needs "
                f"{mode_count(int(self.order.max()))}"
            )

    @property
    def max_order(self) -> int:
        """Highest order that the coefficient array has room for."""
        return order_of(len(self.coefficients_pa))

    def take_frequencies(self, which: Integer) -> Expansion:
        """The expansion at some of its frequencies, by their indices."""
        last_axis = (
            "frequency_hz",
            "order",
            "scaling_radius_m",
            "wavenumber_rad_m",
            "coefficients_pa",
            "held_out_db",
            "far_field_error_db",
            "coefficient_variance_pa2",
            "variance_pattern",
            "estimator",
            "valid_radius_m",
        )
        columns = {name: getattr(self, name)[..., which] for name in last_axis}
        near, residual, shared = self.near_field, self.residual, self.average_covariance
        return replace(
            self,
            centre_m=self.centre_m[which],
            near_field=None if near is None else [near[i] for i in np.arange(len(near))[which]],
            residual=None if residual is None else residual.among(columns["frequency_hz"]),
            average_covariance=None if shared is None else shared[..., which],
            **columns,
        )


def join(parts: Sequence[Expansion]) -> Expansion:
    """One expansion from blocks of frequencies of the same scan, in rising frequency."""
    first = parts[0]
    near = [part.near_field for part in parts if part.near_field is not None]
    shared = [part.average_covariance for part in parts if part.average_covariance is not None]
    return Expansion(
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        order=np.concatenate([part.order for part in parts]),
        centre_m=np.concatenate([part.centre_m for part in parts]),
        scaling_radius_m=np.concatenate([part.scaling_radius_m for part in parts]),
        wavenumber_rad_m=np.concatenate([part.wavenumber_rad_m for part in parts]),
        coefficients_pa=_side_by_side([part.coefficients_pa for part in parts], 0.0),
        held_out_db=_side_by_side([part.held_out_db for part in parts], np.nan),
        far_field_error_db=np.concatenate([part.far_field_error_db for part in parts]),
        coefficient_variance_pa2=_side_by_side([part.coefficient_variance_pa2 for part in parts], 0.0),
        variance_pattern=_side_by_side([part.variance_pattern for part in parts], 0.0),
        estimator=np.concatenate([part.estimator for part in parts]),
        points=first.points,
        drive_voltage_v=first.drive_voltage_v,
        air_density_kg_m3=first.air_density_kg_m3,
        valid_radius_m=np.concatenate([part.valid_radius_m for part in parts]),
        near_field=[one for part in near for one in part] if len(near) == len(parts) else None,
        residual=point_errors.join([part.residual for part in parts if part.residual is not None]),
        average_covariance=np.concatenate(shared, axis=2) if len(shared) == len(parts) else None,
    )


def _side_by_side(blocks: Sequence[NDArray[Number]], fill: float) -> NDArray[Number]:
    """Blocks (rows, F) next to each other, short ones filled up below."""
    rows = max(len(block) for block in blocks)
    padded = [np.pad(b, ((0, rows - len(b)), (0, 0)), constant_values=fill) for b in blocks]
    return np.concatenate(padded, axis=1)
