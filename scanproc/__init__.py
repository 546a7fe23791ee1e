"""Near-field loudspeaker scans to anechoic far-field data.

The public names below load their modules on first use (PEP 562), so that ``import scanproc`` stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from scanproc.version import VERSION as __version__

if TYPE_CHECKING:
    from scanproc.conventions import level_db as level_db
    from scanproc.files.incoming.reference_files import read_reference as read_reference
    from scanproc.files.stored.result_file import write_result as write_result
    from scanproc.files.stored.scan_file import read_scan as read_scan
    from scanproc.files.stored.scan_file import write_scan as write_scan
    from scanproc.records.answers.comparison import Reference as Reference
    from scanproc.records.answers.result import Result as Result
    from scanproc.records.measured.scan import ImpulseScan as ImpulseScan
    from scanproc.records.measured.scan import Scan as Scan
    from scanproc.records.measured.scan import ScanSetup as ScanSetup
    from scanproc.run.conversion.check import check_scan as check  # noqa: F401 public under a shorter name
    from scanproc.run.conversion.page import figures as figures
    from scanproc.run.conversion.page import save_figure as save_figure
    from scanproc.run.conversion.pipeline import convert as convert
    from scanproc.run.export import Wanted as ExportWanted  # noqa: F401 public under a clearer name
    from scanproc.run.incoming.import_scan import import_scan as import_scan
    from scanproc.run.notebook.commands import advise as advise
    from scanproc.run.notebook.commands import compare as compare
    from scanproc.run.notebook.commands import export as export
    from scanproc.run.notebook.commands import levels as levels
    from scanproc.run.notebook.commands import plan as plan
    from scanproc.run.notebook.distortion import NotebookDistortion as NotebookDistortion
    from scanproc.run.notebook.levels import Levels as Levels
    from scanproc.run.notebook.pictures import Picture as Picture
    from scanproc.run.notebook.results import NotebookResult as NotebookResult
    from scanproc.run.notebook.results import read_result as read_result
    from scanproc.run.notebook.values import FieldValues as FieldValues
    from scanproc.run.points import points as study  # noqa: F401 public under a clearer name
    from scanproc.run.settings.conversion import Settings as Settings
    from scanproc.run.settings.conversion import read_settings as read_settings
    from scanproc.run.settings.imports import ImportSettings as ImportSettings
    from scanproc.steps.compare.differences import CompareChoices as CompareChoices
    from scanproc.steps.farfield.beamwidth import beamwidths as beamwidths
    from scanproc.steps.farfield.curves import derived_curves as derived_curves
    from scanproc.steps.farfield.filters import filtered as filtered
    from scanproc.steps.farfield.grid import impulse_responses as impulse_responses
    from scanproc.steps.farfield.headline import headline as headline
    from scanproc.steps.farfield.sets import direction_set as direction_set
    from scanproc.steps.farfield.sets import named_set as named_set
    from scanproc.steps.field.extrapolate import far_field as far_field
    from scanproc.steps.field.extrapolate import far_field_variance as far_field_variance
    from scanproc.steps.field.extrapolate import orbits as orbits
    from scanproc.steps.field.extrapolate import pressure_at as pressure_at
    from scanproc.steps.field.extrapolate import pressure_error_db as pressure_error_db
    from scanproc.steps.field.extrapolate import radiated_power_w as radiated_power_w
    from scanproc.steps.fit.expand import fit as fit
    from scanproc.steps.sound.spectra import spectra as spectra

_HOME = {
    "read_scan": "scanproc.files.stored.scan_file",
    "write_scan": "scanproc.files.stored.scan_file",
    "import_scan": "scanproc.run.incoming.import_scan",
    "ImportSettings": "scanproc.run.settings.imports",
    "Scan": "scanproc.records.measured.scan",
    "ImpulseScan": "scanproc.records.measured.scan",
    "ScanSetup": "scanproc.records.measured.scan",
    "check": "scanproc.run.conversion.check:check_scan",
    "advise": "scanproc.run.notebook.commands",
    "plan": "scanproc.run.notebook.commands",
    "study": "scanproc.run.points:points",
    "convert": "scanproc.run.conversion.pipeline",
    "read_settings": "scanproc.run.settings.conversion",
    "Settings": "scanproc.run.settings.conversion",
    "levels": "scanproc.run.notebook.commands",
    "read_result": "scanproc.run.notebook.results",
    "write_result": "scanproc.files.stored.result_file",
    "Result": "scanproc.records.answers.result",
    "NotebookResult": "scanproc.run.notebook.results",
    "NotebookDistortion": "scanproc.run.notebook.distortion",
    "FieldValues": "scanproc.run.notebook.values",
    "Picture": "scanproc.run.notebook.pictures",
    "Levels": "scanproc.run.notebook.levels",
    "compare": "scanproc.run.notebook.commands",
    "CompareChoices": "scanproc.steps.compare.differences",
    "read_reference": "scanproc.files.incoming.reference_files",
    "Reference": "scanproc.records.answers.comparison",
    "export": "scanproc.run.notebook.commands",
    "ExportWanted": "scanproc.run.export:Wanted",
    "spectra": "scanproc.steps.sound.spectra",
    "fit": "scanproc.steps.fit.expand",
    "far_field": "scanproc.steps.field.extrapolate",
    "far_field_variance": "scanproc.steps.field.extrapolate",
    "pressure_at": "scanproc.steps.field.extrapolate",
    "radiated_power_w": "scanproc.steps.field.extrapolate",
    "pressure_error_db": "scanproc.steps.field.extrapolate",
    "orbits": "scanproc.steps.field.extrapolate",
    "direction_set": "scanproc.steps.farfield.sets",
    "named_set": "scanproc.steps.farfield.sets",
    "impulse_responses": "scanproc.steps.farfield.grid",
    "derived_curves": "scanproc.steps.farfield.curves",
    "beamwidths": "scanproc.steps.farfield.beamwidth",
    "headline": "scanproc.steps.farfield.headline",
    "filtered": "scanproc.steps.farfield.filters",
    "level_db": "scanproc.conventions",
    "figures": "scanproc.run.conversion.page",
    "save_figure": "scanproc.run.conversion.page",
}
"""Public name -> module that defines it, and its name there where that is another one."""

__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, there = _HOME[name].partition(":")
    return getattr(import_module(module), there or name)


def __dir__() -> list[str]:
    return sorted(__all__)
