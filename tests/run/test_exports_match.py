"""Every export of a result matches that result, in every format, with the delay kept and removed, near and far.

And references of other programs: AES69 with any kind of coordinates and a device that looks elsewhere, written by
sofar; pressures are those of the closed-form device.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import sofar
from planted import DISTANCE_M, Planted, device, expansion, orbits, pressures

from scanproc.cli.commands import run
from scanproc.conventions import Real
from scanproc.files.stored.result_file import write_result
from scanproc.records.answers.result import Result

Captured = pytest.CaptureFixture[str]
HZ = np.geomspace(70, 3800, 150)
SEATS = """[[set]]
name = "benches"
kind = "seats"
position_m = [[0.9, 0.3, -0.2], [1.4, -0.5, 0.3], [0.8, 0.0, 0.0], [-0.7, 0.6, 0.1]]
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mast") / "result.h5"
    write_result(path, Result(expansion("mast")))
    return path


@pytest.fixture(scope="module", params=[False, True], ids=["removed", "kept"])
def exported(result: Path, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    place = tmp_path_factory.mktemp("exported")
    (place / "seats.toml").write_text(SEATS)
    formats = "csv,text,wav,sofa,sofa-ir,npz"
    more = ["--keep-delay"] if request.param else []
    words = [str(result), "-o", str(place / "x"), "--format", formats, "--directions", "orbits-30"]
    assert run(["export", *words, "-c", str(place / "seats.toml"), *more]) == 0
    return place / "x"


def compared(capsys: Captured, *arguments: object) -> tuple[int, dict[str, object]]:
    capsys.readouterr()
    code = run(["compare", *map(str, arguments), "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("kind", ["csv", "text", "wav", "{}.sofa", "{}_ir.sofa", "{}.npz"])
@pytest.mark.parametrize("name", ["orbits-30", "benches"])
def test_an_export_matches_its_result(
    kind: str, name: str, result: Path, exported: Path, capsys: Captured
) -> None:
    """Near the device the far field over r is dB off: a file that says what it holds is not taken for the other."""
    code, found = compared(capsys, result, exported / name / kind.format(name), "--from", 80)
    assert code == 0, found["verdict"]
    assert found["causes"] == []
    worst = max(max(map(abs, angle["difference_db"][6:-6])) for angle in found["angles"])  # type: ignore[attr-defined]
    assert worst < 0.1


def test_near_the_device_pressure_and_far_field_differ() -> None:
    """So the test above can fail: at the nearest seat they are more than half a dB apart."""
    place = np.array([[0.8, 0.0, 0.0]])
    near = device("mast").pressure(place, HZ, 343.2) * 0.8
    far = device("mast").far_field(place / 0.8, HZ, 343.2)
    assert np.abs(20 * np.log10(np.abs(near / far))).max() > 0.5


def test_the_words_say_what_is_held(exported: Path) -> None:
    manifest = json.loads((exported / "manifest.json").read_text())
    held = {entry["name"]: entry["holds"] for entry in manifest["sets"]}
    assert held["orbits-30"].startswith("far field normalised to 1 m")
    assert held["benches"] == "rms pressure in Pa at the seat"
    for kind in ("text", "wav"):
        words = (exported / "orbits-30" / kind / "reference.toml").read_text()
        assert words.startswith("# far field normalised to 1 m")
    sofa = sofar.read_sofa(str(exported / "orbits-30" / "orbits-30.sofa"), verbose=False)
    assert "not the pressure at 1 m" in sofa.GLOBAL_Description


def foreign(
    path: Path, position: Real, view: Real, up: Real, *, cartesian: bool = False, convention: str = "TF"
) -> Path:
    """The closed-form device's pressures at microphones around it, as another program writes them."""
    value = pressures(Planted("mast", (), 5), HZ)
    name = {"TF": "FreeFieldDirectivityTF", "general": "GeneralTF", "emitter": "GeneralTF-E"}[convention]
    sofa = sofar.Sofa(name)
    data = value[None] if convention != "emitter" else value[None, ..., None]
    sofa.Data_Real, sofa.Data_Imag, sofa.N = data.real, data.imag, HZ
    x, y, z = position.T
    if not cartesian:
        radius = np.linalg.norm(position, axis=1)
        position = np.stack(
            [np.degrees(np.arctan2(y, x)) % 360, np.degrees(np.arcsin(z / radius)), radius], axis=1
        )
    sofa.ReceiverPosition = position
    sofa.ReceiverPosition_Type = "cartesian" if cartesian else "spherical"
    sofa.ReceiverPosition_Units = "metre" if cartesian else "degree, degree, metre"
    if convention == "TF":
        sofa.SourceView, sofa.SourceUp = view[None], up[None]
        for gone in ("EmitterDescriptions", "Description", "MIDINote", "SourceTuningFrequency"):
            sofa.delete(gone)
    else:
        sofa.SourcePosition, sofa.SourcePosition_Type = [[0.0, 0.0, 0.0]], "cartesian"
        sofa.SourcePosition_Units = "metre"
    sofar.write_sofa(str(path), sofa)
    return path


X, Y, Z = np.eye(3)


@pytest.mark.parametrize(
    ("view", "up", "cartesian"),
    [
        (X, Z, True),
        (Y, Z, False),
        (-X, Z, True),
        (Z, -X, False),
        (Y, X, True),
        *(
            pytest.param(*one, marks=pytest.mark.slow)
            for one in ((X, Z, False), (Y, Z, True), (-X, Z, False))
        ),
        *(pytest.param(*one, marks=pytest.mark.slow) for one in ((Z, -X, True), (Y, X, False))),
    ],
)
def test_aes69_of_other_programs_however_the_device_is_turned(
    view: Real, up: Real, cartesian: bool, result: Path, tmp_path: Path, capsys: Captured
) -> None:
    frame = np.stack(
        [view, np.cross(up, view), up], axis=1
    )  # columns: front, left and top in the file's frame
    place = orbits()[0] * DISTANCE_M @ frame.T
    path = foreign(tmp_path / "hall.sofa", place, view, up, cartesian=cartesian)
    code, found = compared(capsys, result, path, "--unit", "pa")
    assert code == 0, found["verdict"]
    assert found["causes"] == []


@pytest.mark.parametrize("convention", ["general", "emitter"])
def test_aes69_of_other_conventions_matches(
    convention: str, result: Path, tmp_path: Path, capsys: Captured
) -> None:
    path = foreign(
        tmp_path / "hall.sofa", orbits()[0] * DISTANCE_M, X, Z, cartesian=True, convention=convention
    )
    code, found = compared(capsys, result, path, "--unit", "pa")
    assert (code, found["causes"]) == (0, [])


def test_hdf5_matches_its_result(result: Path, tmp_path: Path, capsys: Captured) -> None:
    """All sets are one file there, so a set of its own is compared."""
    words = [
        "export",
        str(result),
        "-o",
        str(tmp_path / "x"),
        "--format",
        "hdf5",
        "--directions",
        "orbits-30",
    ]
    assert run(words) == 0
    code, found = compared(capsys, result, tmp_path / "x" / "directions.h5", "--from", 80)
    assert (code, found["causes"]) == (0, []), found["verdict"]
    worst = max(max(map(abs, angle["difference_db"])) for angle in found["angles"])  # type: ignore[attr-defined]
    assert worst < 1e-6
