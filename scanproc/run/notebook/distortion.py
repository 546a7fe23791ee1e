"""Harmonic distortion, as a notebook asks for it."""

from __future__ import annotations

from dataclasses import fields
from html import escape
from typing import Any

from scanproc.errors import SettingsError
from scanproc.records.answers.distortion import PLACES, Distortion
from scanproc.report.words.distortion import HEADER, distortion_rows, distortion_sentence
from scanproc.run.notebook.values import library
from scanproc.steps.farfield.distortion import Ratio, Reference, harmonic_ratio, total_ratio


class NotebookDistortion(Distortion):
    """Harmonics in the far field by the frequency of the excitation ``excitation_hz`` (F,).

    The arrays are those of :class:`~scanproc.records.answers.distortion.Distortion`, NaN beyond the band in which the
    sweep tells a harmonic. A ratio no greater than its ``floor_db`` is no more than noise could be.
    """

    @classmethod
    def of(cls, found: Distortion) -> NotebookDistortion:
        """The same as the record."""
        return cls(**{one.name: getattr(found, one.name) for one in fields(found)})

    def total(self, place: str = "on axis", reference: Reference = "excitation") -> Ratio:
        """All harmonics together against the fundamental, dB with standard error and noise floor, (F,) each.

        ``place``: "on axis", "listening window" or "sound power"; ``reference``: "excitation" for total harmonic
        distortion, "own" for equivalent input distortion. Raises SettingsError for any other.

        >>> distorted.total("sound power").value_db.shape == distorted.excitation_hz.shape
        True
        """
        return total_ratio(self, _place(place), _reference(reference))

    def harmonic(self, order: int, place: str = "on axis", reference: Reference = "excitation") -> Ratio:
        """One harmonic against the fundamental, likewise.

        >>> distorted.harmonic(2, reference="own").floor_db.shape == distorted.excitation_hz.shape
        True
        """
        known = self.order.tolist()
        if order not in known:
            raise SettingsError(f"no harmonic {order}: there are {', '.join(map(str, known))}")
        return harmonic_ratio(self, known.index(order), _place(place), _reference(reference))

    def to_pandas(self) -> Any:
        """The rows of distortion.csv as a pandas DataFrame. Needs pandas."""
        return library("pandas").DataFrame(list(distortion_rows(self)), columns=HEADER)

    def __repr__(self) -> str:
        return f"Distortion({distortion_sentence(self)})"

    def _repr_html_(self) -> str:
        return f"<p>{escape(distortion_sentence(self))}</p>"


def _place(name: str) -> int:
    if name not in PLACES:
        raise SettingsError(f"no place {name!r}: there are {', '.join(PLACES)}")
    return PLACES.index(name)


def _reference(name: Reference) -> Reference:
    if name not in ("excitation", "own"):
        raise SettingsError(f"no reference {name!r}: there are excitation and own")
    return name
