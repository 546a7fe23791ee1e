"""Every way in which a SOFA file can be unfit for an import, with its words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from scanproc.errors import InputError
from scanproc.files.incoming.import_sofa import read_sofa


def write(path: Path, kind: str = "FIR") -> Path:
    """As plain as AES69 allows: three measurements, one receiver."""
    with h5py.File(path, "w") as file:
        file.attrs["Conventions"], file.attrs["DataType"] = "SOFA", kind
        if kind == "FIR":
            file["Data.IR"], file["Data.SamplingRate"] = np.ones((3, 1, 8)), np.array([48000.0])
        else:
            file["Data.Real"], file["Data.Imag"] = np.ones((3, 1, 2)), np.ones((3, 1, 2))
            file["N"] = np.array([100.0, 200.0])
        for name, value in {
            "ListenerPosition": np.eye(3),
            "SourcePosition": np.zeros((1, 3)),
            "ReceiverPosition": np.zeros((1, 3, 1)),
        }.items():
            file[name] = value
            file[name].attrs["Type"] = "cartesian"
    return path


def put(name: str, value: Any) -> Callable[[Any], None]:
    def change(file: Any) -> None:
        kind = file[name].attrs.get("Type", "cartesian") if name in file else "cartesian"
        if name in file:
            del file[name]
        file[name] = value
        file[name].attrs["Type"] = kind

    return change


def attribute(name: str, value: str) -> Callable[[Any], None]:
    return lambda file: file.attrs.__setitem__(name, value)


def of_type(name: str, kind: str) -> Callable[[Any], None]:
    return lambda file: file[name].attrs.__setitem__("Type", kind)


@pytest.mark.parametrize(
    ("kind", "change", "words"),
    [
        ("FIR", attribute("Conventions", "other"), "its attribute Conventions must be 'SOFA'"),
        ("FIR", attribute("DataType", "SOS"), "has the data type 'SOS', FIR or TF was needed"),
        ("FIR", lambda f: f.__delitem__("Data.IR"), "has no dataset Data.IR"),
        ("FIR", put("Data.IR", np.ones((3, 8))), "Data.IR must have the axes (M, R, N)"),
        ("FIR", put("Data.SamplingRate", np.array([0.0])), "Data.SamplingRate must be above zero"),
        ("FIR", put("Data.SamplingRate", np.array([1.0, 2.0])), "must hold one sampling rate"),
        ("FIR", put("Data.Delay", np.array([[1.0], [2.0]])), "Data.Delay must be 1 or 3 x 1, got (2, 1)"),
        (
            "FIR",
            put("Data.Delay", np.array([[1.0], [np.nan], [3.0]])),
            "must hold delays that differ by less",
        ),
        ("FIR", put("Data.Delay", np.array([[0.0], [1e9], [3.0]])), "must hold delays that differ by less"),
        ("FIR", put("ListenerPosition", np.ones((2, 3))), "ListenerPosition must be 1 or 3 x 3"),
        ("FIR", put("ReceiverPosition", np.ones((2, 3, 1))), "ReceiverPosition must be 1 x 3 x 1"),
        ("FIR", of_type("ListenerPosition", "polar"), "must be of Type cartesian or spherical, got 'polar'"),
        ("FIR", put("SourceView", np.zeros((1, 3))), "SourceView and SourceUp must not vanish"),
        (
            "FIR",
            put("ListenerPosition", np.full((3, 3), np.nan)),
            "position_m holds 9 values that are not finite",
        ),
        ("TF", put("N", np.array([100.0])), "of different lengths"),
        ("TF", put("Data.Imag", np.ones((3, 1, 3))), "of different lengths"),
    ],
)
def test_a_bad_file_gets_one_line(
    tmp_path: Path, kind: str, change: Callable[[Any], None], words: str
) -> None:
    path = write(tmp_path / "a.sofa", kind)
    assert read_sofa(path).setup.points == 3
    with h5py.File(path, "r+") as file:
        change(file)
    with pytest.raises(InputError) as caught:
        read_sofa(path)
    assert words in caught.value.message
    assert caught.value.path == path
    assert "\n" not in str(caught.value)


def test_a_header_that_claims_a_million_million_values_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.sofa")
    with h5py.File(path, "r+") as file:
        del file["Data.IR"]
        file.create_dataset("Data.IR", (10**6, 1, 10**6), "f8", chunks=(1, 1, 1000))
    with pytest.raises(InputError, match="claims the shape 1000000 x 1 x 1000000 but the file holds less"):
        read_sofa(path)


def test_a_file_that_is_no_hdf5(tmp_path: Path) -> None:
    (tmp_path / "a.sofa").write_text("no")
    with pytest.raises(InputError, match="is not an HDF5 file: a SOFA file was needed"):
        read_sofa(tmp_path / "a.sofa")


def test_a_source_up_of_its_own(tmp_path: Path) -> None:
    """A device on its side: its left points up."""
    path = write(tmp_path / "a.sofa")
    with h5py.File(path, "r+") as file:
        put("SourceView", np.array([[1.0, 0.0, 0.0]]))(file)
        put("SourceUp", np.array([[0.0, -1.0, 0.0]]))(file)
    assert read_sofa(path).setup.position_m == pytest.approx(
        np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]), abs=1e-15
    )


def test_every_response_has_a_delay_of_its_own(tmp_path: Path) -> None:
    """Pulses at the samples that the delays say; half a sample is half a turn at the highest frequency."""
    path = write(tmp_path / "a.sofa")
    sound, delay = np.zeros((3, 1, 64)), np.array([[-2.0], [5.0], [1.5]])
    sound[:, 0, 20] = 1.0
    with h5py.File(path, "r+") as file:
        del file["Data.IR"]
        file["Data.IR"], file["Data.Delay"] = sound, delay
    stream = read_sofa(path)
    rows = np.concatenate(list(stream.blocks))
    assert rows.shape == (3, stream.columns) == (3, 71)
    assert stream.time_zero_s == pytest.approx(-2 / 48000)
    assert np.argmax(rows[:2], axis=1).tolist() == [20, 27]
    assert np.sum(rows[:2] != 0) == 2
    late = np.fft.rfft(rows[2]) / np.exp(-2j * np.pi * np.fft.rfftfreq(71) * (20 + 3.5))
    assert late == pytest.approx(np.ones(36), abs=1e-12)
