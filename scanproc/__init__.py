"""Near-field loudspeaker scans to anechoic far-field data.

The public names below load their modules on first use (PEP 562), so that ``import scanproc`` stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from scanproc.version import VERSION as __version__

if TYPE_CHECKING:
    from scanproc.files.stored.result_file import read_result as read_result
    from scanproc.files.stored.result_file import write_result as write_result
    from scanproc.files.stored.scan_file import read_scan as read_scan
    from scanproc.files.stored.scan_file import write_scan as write_scan
    from scanproc.records.comparison import Reference as Reference
    from scanproc.records.result import Result as Result
    from scanproc.run.conversion.page import figures as figures
    from scanproc.run.conversion.page import save_figure as save_figure
    from scanproc.run.conversion.pipeline import convert as convert
    from scanproc.run.settings.conversion import read_settings as read_settings
    from scanproc.steps.compare.differences import compare as compare
    from scanproc.steps.farfield.beamwidth import beamwidths as beamwidths
    from scanproc.steps.farfield.curves import derived_curves as derived_curves
    from scanproc.steps.farfield.filters import filtered as filtered
    from scanproc.steps.farfield.sets import named_set as named_set
    from scanproc.steps.farfield.sets import sweep_set as sweep_set
    from scanproc.steps.field.extrapolate import far_field as far_field
    from scanproc.steps.field.extrapolate import orbits as orbits
    from scanproc.steps.field.extrapolate import pressure_at as pressure_at
    from scanproc.steps.field.extrapolate import pressure_error_db as pressure_error_db
    from scanproc.steps.fit.expand import fit as fit
    from scanproc.steps.sound.spectra import spectra as spectra

_HOME = {
    "read_scan": "scanproc.files.stored.scan_file",
    "write_scan": "scanproc.files.stored.scan_file",
    "read_result": "scanproc.files.stored.result_file",
    "write_result": "scanproc.files.stored.result_file",
    "Result": "scanproc.records.result",
    "spectra": "scanproc.steps.sound.spectra",
    "fit": "scanproc.steps.fit.expand",
    "far_field": "scanproc.steps.field.extrapolate",
    "pressure_at": "scanproc.steps.field.extrapolate",
    "pressure_error_db": "scanproc.steps.field.extrapolate",
    "orbits": "scanproc.steps.field.extrapolate",
    "sweep_set": "scanproc.steps.farfield.sets",
    "named_set": "scanproc.steps.farfield.sets",
    "derived_curves": "scanproc.steps.farfield.curves",
    "compare": "scanproc.steps.compare.differences",
    "Reference": "scanproc.records.comparison",
    "beamwidths": "scanproc.steps.farfield.beamwidth",
    "filtered": "scanproc.steps.farfield.filters",
    "convert": "scanproc.run.conversion.pipeline",
    "read_settings": "scanproc.run.settings.conversion",
    "figures": "scanproc.run.conversion.page",
    "save_figure": "scanproc.run.conversion.page",
}
"""Public name -> module that defines it."""

__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
