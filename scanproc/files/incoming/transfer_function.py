"""Transfer functions from CSV: ``frequency_hz`` with ``level_db`` and ``phase_deg``, or with ``real`` and ``imag``."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import InputError, ScanDataError
from scanproc.records.checked import complex_array, increasing, real_array

FORMS = (("frequency_hz", "level_db", "phase_deg"), ("frequency_hz", "real", "imag"))


def read_transfer_function(path: Path | str) -> tuple[Real, Complex]:
    """Frequencies (K,) and complex ratios (K,). Raises InputError that names the file."""
    try:
        with Path(path).open(encoding="utf-8", newline="") as file:
            header, *rows = list(csv.reader(file)) or [[]]
        form = tuple(word.strip() for word in header)
        if form not in FORMS:
            raise InputError(
                f"must start with {' or '.join(','.join(names) for names in FORMS)}, got {','.join(header)[:60]!r}",
                path=path,
            )
        first, second, third = np.array([[float(entry) for entry in row] for row in rows], dtype=np.float64).T
        value = second + 1j * third
        if form == FORMS[0]:
            value = 10 ** (second / 20) * np.exp(1j * np.deg2rad(third))
        frequency = real_array("frequency_hz", first, ("frequencies",))
        increasing("frequency_hz", frequency)
        if len(frequency) < 2 or frequency[0] <= 0 or np.any(value == 0):
            raise InputError("needs at least two frequencies above 0 and no ratio of zero", path=path)
        return frequency, complex_array("ratio", value, (len(frequency),))
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except ScanDataError as error:
        raise InputError(error.message, path=path) from error
    except (ValueError, csv.Error) as error:
        raise InputError(f"must hold three numbers a line: {error}", path=path) from error
