"""Files that were cut, emptied or written by another hand, in the words of their readers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from scanproc.errors import InputError, OutputError
from scanproc.files.incoming.import_wav import Recording, read_wav
from scanproc.files.outgoing.tables import read_direction_tables, write_direction_tables
from scanproc.files.stored.scan_writer import SoundStream, write_stream
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.measured.scan import ScanSetup

SETUP = ScanSetup(np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1]]))


def test_wav_with_values_that_are_not_finite(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.array([0.1, np.nan, 0.2]), 48000, subtype="FLOAT")
    with pytest.raises(InputError, match="not finite: record it again"):
        read_wav(Recording(path, 1))


def test_wav_that_is_a_folder_or_empty_or_too_narrow(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is no ordinary file"):
        read_wav(Recording(tmp_path, 1))
    with pytest.raises(InputError, match="cannot be read, No such file"):
        read_wav(Recording(tmp_path / "gone.wav", 1))
    soundfile.write(tmp_path / "none.wav", np.empty(0), 48000)
    with pytest.raises(InputError, match="holds no samples"):
        read_wav(Recording(tmp_path / "none.wav", 1))
    soundfile.write(tmp_path / "one.wav", np.ones(4) / 2, 48000)
    with pytest.raises(InputError, match="has 1 channels, channel 2 was wanted"):
        read_wav(Recording(tmp_path / "one.wav", 2))


def tables(directory: Path) -> Path:
    directions = DirectionSet("s", np.eye(3)[:2], np.array([100.0, 200.0]), np.ones((2, 2)), np.zeros((2, 2)))
    write_direction_tables(directory, directions)
    return directory


def test_direction_tables_of_other_frequencies(tmp_path: Path) -> None:
    place = tables(tmp_path / "s")
    second = sorted(path for path in place.iterdir() if path.name != "angles.csv")[1]
    second.write_text(second.read_text(encoding="utf-8").replace("200", "300"), encoding="utf-8")
    with pytest.raises(InputError, match="has other frequencies than"):
        read_direction_tables(place)


def test_direction_tables_whose_directions_are_no_unit_vectors(tmp_path: Path) -> None:
    place = tables(tmp_path / "s")
    listed = place / "angles.csv"
    header, first, *rest = listed.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    cells[4] = "5.0"
    listed.write_text("\n".join([header, ",".join(cells), *rest]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"angles.csv: direction must hold unit vectors"):
        read_direction_tables(place)


def test_a_stream_that_ends_early_leaves_nothing(tmp_path: Path) -> None:
    stream = SoundStream(SETUP, 16, iter([np.zeros((2, 16))]), sampling_rate_hz=48000.0)
    with pytest.raises(OutputError, match="2 points came, 3 were announced"):
        write_stream(tmp_path / "scan.h5", stream)
    assert list(tmp_path.iterdir()) == []


def test_a_stream_that_the_disk_cannot_hold_is_not_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full:
        free = 1000

    monkeypatch.setattr("scanproc.files.stored.scan_writer.shutil.disk_usage", lambda _: Full)
    stream = SoundStream(SETUP, 16, iter([np.zeros((3, 16))]), sampling_rate_hz=48000.0)
    with pytest.raises(OutputError, match=r"scan\.h5"):
        write_stream(tmp_path / "scan.h5", stream)
    assert list(tmp_path.iterdir()) == []
