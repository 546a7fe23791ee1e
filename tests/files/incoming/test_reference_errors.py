"""Every way in which a reference file can be wrong, in its words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from scanproc.errors import InputError, ScanprocError
from scanproc.files.incoming.reference_files import read_reference
from scanproc.files.incoming.reference_text import read_reference_table, read_wavs
from scanproc.files.stored.positions_file import read_positions
from scanproc.records.measured.scan import ScanSetup

ONE = ScanSetup(np.array([[1.0, 0, 0]]))


def written(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfe\xfa", "is not text"),
        ("", "holds no rows: export it again"),
        ("# only\n; remarks\n", "holds no rows: export it again"),
        ("frequency_hz,level_db\n", "holds no rows below its header"),
        ("100 80 0\n200 80\n", "must hold rows of equally many numbers"),
        ("100,80\n200,loud\n", "must hold rows of equally many numbers"),
        ("hertz,bel\n1,2\n3,4\n", "columns of unknown unit 'hertz,bel'"),
        ("100 80 0 0\n200 80 0 0\n", "must have two or three columns"),
        ("100 80\n", "needs frequencies above 0 that rise, or fall, all the way"),
        ("200 80\n100 80\n150 80\n", "needs frequencies above 0"),
        ("0 80\n100 80\n", "needs frequencies above 0"),
        ("100 80\n200 nan\n", "needs frequencies above 0"),
        ("Freq,Magnitude\n100,1\n200,2\n", "columns of unknown unit 'Freq,Magnitude'"),
        ("Freq,SPL,Phase\n100,80,1.5\n200,80,-3.1\n", "has a phase of at most 3.14, which may be radians"),
        (
            "100,5 80,1\n200,5 80,2\n",
            "must hold rows of equally many numbers: .*decimal commas need semicolons",
        ),
    ],
)
def test_bad_text_tables(tmp_path: Path, content: str | bytes, words: str) -> None:
    path = written(tmp_path / "horizontal_0_deg.txt", content)
    with pytest.raises(InputError, match=f"horizontal_0_deg.txt: {words}"):
        read_reference_table(path, "pa")


def test_a_table_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read, No such file"):
        read_reference_table(tmp_path / "gone.txt", "pa")


def test_a_table_of_real_and_imaginary_parts(tmp_path: Path) -> None:
    path = written(tmp_path / "a.csv", "frequency_hz,real_pa,imag_pa\n100,1,2\n200,3,-4\n")
    table = read_reference_table(path, None)
    assert table.frequency_hz.tolist() == [100, 200]
    assert table.pressure_pa.tolist() == [1 + 2j, 3 - 4j]
    assert table.has_phase
    assert not table.relative


@pytest.mark.parametrize(
    "content",
    [
        "Frequency,SPL,Phase\n100,80,10\n200,81,-20\n",
        "freq [Hz],level [dB],phase [deg]\n100,80,10\n200,81,-20\n",
        "Frequency_Hz,Level_dB,Phase_deg\n100,80,10\n200,81,-20\n",
        "* a remark\nHz dB deg\n100 80 10\n200 81 -20\n",
        "Freq(Hz)\tSPL(dB)\tPhase(degrees)\n100\t80\t10\n200\t81\t-20\n",
        "Frequency;Level dB;Phase deg\n100,0;80,0;10,0\n200,0;81,0;-20,0\n",
        "frequency_hz,level_db,phase_deg\n200,81,-20\n100,80,10\n",
    ],
)
def test_tables_in_other_hands_are_read_or_asked_for(tmp_path: Path, content: str) -> None:
    table = read_reference_table(written(tmp_path / "a.csv", content), "pa")
    assert table.frequency_hz.tolist() == [100, 200]
    expected = 20e-6 * 10 ** (np.array([80, 81]) / 20) * np.exp(1j * np.deg2rad([10, -20]))
    assert table.pressure_pa == pytest.approx(expected)


@pytest.mark.parametrize(
    "name", ["H30.csv", "hor 30.csv", "Horizontal_+030_deg.CSV", "h_30°.csv", "HOR30.txt"]
)
def test_names_in_other_hands(tmp_path: Path, name: str) -> None:
    written(tmp_path / name, TABLE.replace(" ", ","))
    written(tmp_path / f"V-15{Path(name).suffix}", TABLE.replace(" ", ","))
    other = "notes.csv" if name.endswith("txt") else "notes.txt"
    written(tmp_path / other, "measured on a calm day")
    found = read_reference(tmp_path, distance_m=2.0, unit="pa")
    assert set(found.content.label) == {"horizontal 30 deg", "vertical -15 deg"}


def test_one_channel_of_several(tmp_path: Path) -> None:
    path = wav(tmp_path / "H0.wav", np.array([[1, 5], [2, 6], [3, 7]], np.int16))
    for channel, first in ((1, 1), (2, 5)):
        found = read_reference(path, distance_m=2.0, unit="pa", channel=channel).content
        assert found.impulse_response_pa[0, 0] == pytest.approx(first / 32767)
    with pytest.raises(InputError, match="holds 2 channels, there is no channel 3: name another"):
        read_reference(path, distance_m=2.0, unit="pa", channel=3)


def wav(path: Path, samples: np.ndarray, rate: int = 48000) -> Path:
    wavfile.write(path, rate, samples)
    return path


def test_bad_wav_files(tmp_path: Path) -> None:
    good = wav(tmp_path / "good.wav", np.array([0, 1000, -500], np.int16))
    with pytest.raises(InputError, match=r"other.wav: has 44100 Hz, good.wav has 48000 Hz: use one rate"):
        read_wavs(ONE, [good, wav(tmp_path / "other.wav", np.array([1, 2], np.int16), 44100)])
    with pytest.raises(InputError, match=r"two.wav: holds 2 channels: say which with --channel"):
        read_wavs(ONE, [wav(tmp_path / "two.wav", np.ones((4, 2), np.int16))])
    with pytest.raises(InputError, match="silence or values that are not finite"):
        read_wavs(ONE, [wav(tmp_path / "silent.wav", np.zeros(8, np.int16))])
    with pytest.raises(InputError, match="silence or values that are not finite"):
        read_wavs(ONE, [wav(tmp_path / "nan.wav", np.array([1, np.nan], np.float32))])
    with pytest.raises(InputError, match="is no WAV file that can be read"):
        read_wavs(ONE, [written(tmp_path / "text.wav", "not sound at all")])
    with pytest.raises(InputError, match="cannot be read, No such file"):
        read_wavs(ONE, [tmp_path / "gone.wav"])


def test_wav_of_eight_bits_counts_from_the_middle(tmp_path: Path) -> None:
    scan = read_wavs(ONE, [wav(tmp_path / "a.wav", np.array([128, 255, 1], np.uint8))])
    assert scan.impulse_response_pa[0] == pytest.approx([0, 127 / 255, -127 / 255])


TABLE = "100 80 0\n200 81 0\n"


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({}, r"holds no .*file and no"),
        ({"horizontal_0_deg.txt": TABLE, "horizontal_30_deg.csv": TABLE}, "keep one kind in a folder"),
        ({"left.txt": TABLE}, "its name does not say the angle: call it like horizontal_"),
        ({"horizontal_0_deg.txt": TABLE, "horizontal_+0_deg.txt": TABLE}, "horizontal 0 deg comes twice"),
        ({"horizontal_0_deg.txt": TABLE, "horizontal_30_deg.txt": "100 80 0\n300 80 0\n"}, "has other freq"),
        ({"horizontal_0_deg.txt": TABLE, "horizontal_30_deg.txt": "100 80\n200 80\n"}, "or columns than"),
    ],
)
def test_bad_folders(tmp_path: Path, files: dict[str, str], words: str) -> None:
    (tmp_path / "set").mkdir()
    for name, content in files.items():
        written(tmp_path / "set" / name, content)
    with pytest.raises(InputError, match=words):
        read_reference(tmp_path / "set", distance_m=2.0, unit="pa")


def test_a_distance_must_be_stated(tmp_path: Path) -> None:
    path = written(tmp_path / "horizontal_0_deg.txt", TABLE)
    with pytest.raises(ScanprocError, match=r"does not say its distance: state it with --distance"):
        read_reference(path, unit="pa")
    assert read_reference(path, distance_m=2.0, unit="pa").content.distance_m.tolist() == [2.0]


@pytest.mark.parametrize(
    ("listed", "words"),
    [
        ("not = [toml", "not a TOML file"),
        ("microphone = 3", "microphone: Input should be"),
        ('[[microphone]]\nfile = "a.txt"', "a.txt: needs horizontal_deg, vertical_deg, azimuth_deg"),
        ('[[microphone]]\nfile = "a.txt"\nposition_m = [0.0, 0.0, 0.0]', "position_m lies at the origin"),
        (
            'distance_m = 2.0\n[[microphone]]\nfile = "a.txt"\nhorizontal_deg = 0.0\n'
            '[[microphone]]\nfile = "a.wav"\nvertical_deg = 30.0',
            "WAV and text cannot stand in one reference",
        ),
    ],
)
def test_bad_lists(tmp_path: Path, listed: str, words: str) -> None:
    written(tmp_path / "a.txt", TABLE)
    wav(tmp_path / "a.wav", np.array([1, 2], np.int16))
    with pytest.raises(ScanprocError, match=f"list.toml: {words}|{words}"):
        read_reference(written(tmp_path / "list.toml", listed), unit="pa")


def test_a_list_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone.toml"):
        read_reference(tmp_path / "gone.toml", unit="pa")


def test_directions_of_every_kind_in_a_list(tmp_path: Path) -> None:
    for name in "abcd":
        written(tmp_path / f"{name}.txt", TABLE)
    listed = (
        'distance_m = 2.0\nunit = "pa"\n'
        '[[microphone]]\nfile = "a.txt"\nhorizontal_deg = 90.0\n'
        '[[microphone]]\nfile = "b.txt"\nvertical_deg = 90.0\ndistance_m = 3.0\n'
        '[[microphone]]\nfile = "c.txt"\nazimuth_deg = 90.0\nelevation_deg = 30.0\n'
        '[[microphone]]\nfile = "d.txt"\nposition_m = [0.0, 0.0, -4.0]\n'
    )
    found = read_reference(written(tmp_path / "list.toml", listed)).content
    expected = [[0, 1, 0], [0, 0, 1], [0, np.sqrt(0.75), 0.5], [0, 0, -1]]
    assert found.direction == pytest.approx(np.array(expected), abs=1e-12)
    assert found.distance_m.tolist() == [2, 3, 2, 4]
    assert found.label[2] == "azimuth 90 elevation 30 deg"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("x_m,y_m,z_m,layer\n1,2\n", "is not a table of positions"),
        ("x_m,y_m,z_m,layer\n1,2,three,0\n", "is not a table of positions"),
        ("", "must have the columns x_m, y_m, z_m, layer"),
        ("a,b,c\n1,2,3\n", "must have the columns"),
        ("x_m,y_m\n1,2\n", "must have the columns"),
        ("x_m,y_m,z_m\n1,2,inf\n", "not finite"),
    ],
)
def test_bad_tables_of_positions(tmp_path: Path, content: str, words: str) -> None:
    content = (
        content.replace("1,2\n", "1,2,3,0\n1,2\n") if words == "is not a table of positions" else content
    )
    with pytest.raises(InputError, match=words):
        read_positions(written(tmp_path / "p.csv", content))


def test_positions_without_a_layer_are_of_layer_0(tmp_path: Path) -> None:
    found = read_positions(written(tmp_path / "p.csv", "x_m,y_m,z_m\n1,2,3\n4,5,6\n"))
    assert found.position_m.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert found.layer.tolist() == [0, 0]


def test_positions_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read, No such file"):
        read_positions(tmp_path / "gone.csv")
