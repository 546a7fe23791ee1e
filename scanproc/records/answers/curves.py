"""Curves that follow from far-field responses, each with a standard error."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Real
from scanproc.errors import ScanDataError, UnknownName
from scanproc.records.checked import real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class Curve:
    """One curve over the frequencies of its :class:`Curves`; ``value`` and ``standard_error`` (F,) in ``unit``.

    ``unit`` is "dB" (re 20 µPa at 1 m and 2.83 V for levels, a ratio for indices) or "deg". ``not_known`` says what a
    value of NaN means, of a kind of curve that may hold one.
    """

    name: str
    unit: str
    value: Real
    standard_error: Real
    not_known: str = ""

    def __post_init__(self) -> None:
        value = real_array(self.name, self.value, ("frequencies",), finite=False)
        error = real_array(f"{self.name} (error)", self.standard_error, (len(value),), finite=False)
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "standard_error", error)


@short_repr
@dataclass(frozen=True, eq=False)
class Curves:
    """Curves over common frequencies (F,), and in words the choices behind them."""

    frequency_hz: Real
    curves: tuple[Curve, ...]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        frequency = real_array("frequency_hz", self.frequency_hz, ("frequencies",))
        object.__setattr__(self, "frequency_hz", frequency)
        for curve in self.curves:
            if len(curve.value) != len(frequency):
                raise ScanDataError(f"{curve.name} must have {len(frequency)} values, got {len(curve.value)}")

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(curve.name for curve in self.curves)

    def get(self, name: str) -> Curve:
        """The curve of that name. Raises UnknownName, a KeyError that lists the names."""
        for curve in self.curves:
            if curve.name == name:
                return curve
        raise UnknownName(f"no curve {name!r}: there are {', '.join(self.names)}")

    def __getitem__(self, name: str) -> Curve:
        return self.get(name)

    def __contains__(self, name: object) -> bool:
        return name in self.names

    def __len__(self) -> int:
        return len(self.curves)
