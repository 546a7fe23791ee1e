"""References from files of every kind, through the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import sofar
import soundfile
from references import DISTANCE_M, Faults, circle, direct_and_floor, responses, workshop_expansion
from small_scans import monopole_scan

from scanproc.cli.commands import run
from scanproc.files.outgoing.export_archive import write_hdf5, write_npz
from scanproc.files.outgoing.export_sofa import About, write_sofa
from scanproc.files.outgoing.tables import write_direction_tables
from scanproc.files.stored.result_file import write_result
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.answers.result import Result
from scanproc.steps.farfield.sets import direction_set, orbit_angles

Captured = pytest.CaptureFixture[str]
UP_TO = ("--up-to", "1500", "--json")
ANGLES = np.arange(-180, 180, 30)


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("result") / "result.h5"
    write_result(path, Result(workshop_expansion()))
    return path


def answer(capsys: Captured, *arguments: object) -> tuple[int, dict[str, object]]:
    code = run(["compare", *map(str, arguments)])
    return code, json.loads(capsys.readouterr().out)


def refusal(capsys: Captured, *arguments: object) -> tuple[int, str]:
    code = run(["compare", *map(str, arguments)])
    return code, capsys.readouterr().err


def spectra_folder(folder: Path, kind: str, faults: Faults | None = None) -> Path:
    """Text of the exact pressures, a file per angle."""
    folder.mkdir()
    hz = np.geomspace(160, 2300, 140)
    pressure, _ = direct_and_floor(circle(), hz, faults or Faults())
    for angle, row in zip(ANGLES, pressure, strict=True):
        level, phase = 20 * np.log10(np.abs(row) / 20e-6), np.degrees(np.angle(row))
        columns, header, ending = {
            "magnitude": ((hz, level), "frequency_hz,level_db\n", "csv"),
            "phase": ((hz, level, phase), "frequency_hz,level_db,phase_deg\n", "csv"),
            "complex": ((hz, row.real, row.imag), "frequency_hz,real_pa,imag_pa\n", "csv"),
            "text": ((hz, level, phase), "", "txt"),
            "unknown": ((hz, level), "frequency_hz,level_dbfs\n", "csv"),
        }[kind]
        comma = "," if header else " "
        lines = (comma.join(map(repr, map(float, one))) for one in zip(*columns, strict=True))
        (folder / f"horizontal_{angle:+04d}_deg.{ending}").write_text(header + "\n".join(lines) + "\n")
    return folder


def wav_folder(folder: Path) -> Path:
    folder.mkdir()
    impulse = responses(circle())
    for angle, row in zip(ANGLES, impulse.impulse_response_pa, strict=True):
        soundfile.write(folder / f"horizontal_{angle:+04d}_deg.wav", row, 24000, subtype="FLOAT")
    return folder


@pytest.mark.parametrize("kind", ["magnitude", "phase", "complex", "text"])
def test_text_of_every_kind(kind: str, result: Path, tmp_path: Path, capsys: Captured) -> None:
    folder = spectra_folder(tmp_path / "hall", kind, Faults(gain_db=0.7))
    code, found = answer(capsys, result, folder, "--distance", DISTANCE_M, "--unit", "pa", *UP_TO)
    assert code == 0
    assert found["has_phase"] is (kind != "magnitude")
    assert [cause["kind"] for cause in found["causes"]] == ["gain"]  # type: ignore[attr-defined]
    assert found["alignment"]["gain_db"] == pytest.approx(0.7, abs=0.05)  # type: ignore[index]
    assert found["angles"][0]["label"] == "horizontal 0 deg"  # type: ignore[index]


def test_wav_read_from_what_another_library_wrote(result: Path, tmp_path: Path, capsys: Captured) -> None:
    folder = wav_folder(tmp_path / "hall")
    options = ("--distance", DISTANCE_M, "--unit", "pa", "--height", 1.2)
    code, found = answer(capsys, result, folder, *options, *UP_TO)
    assert code == 0
    assert found["causes"] == []
    assert found["alignment"]["delay_s"] is None  # type: ignore[index]  # the record's start says nothing
    assert run(["compare", *map(str, [result, folder, *options, "--up-to", 1500])]) == 0
    assert "delay not known (the record's clock is its own)" in capsys.readouterr().out
    code, found = answer(capsys, result, folder, *options, "--json")
    assert code == 3
    assert str(found["verdict"]).startswith(
        "The scan matches hall within 1 dB (1/12 octave) at all 12 angles from "
    )


def test_a_scan_file_and_a_list_in_toml(result: Path, tmp_path: Path, capsys: Captured) -> None:
    write_scan(tmp_path / "hall.h5", responses(circle()))
    code, first = answer(capsys, result, tmp_path / "hall.h5", "--gate-ms", 3.2, *UP_TO)
    assert code == 0
    wav_folder(tmp_path / "wav")
    entries = "".join(
        f'[[microphone]]\nfile = "wav/horizontal_{angle:+04d}_deg.wav"\nhorizontal_deg = {angle}\n'
        for angle in ANGLES
    )
    (tmp_path / "hall.toml").write_text(f'name = "hall"\ndistance_m = 2.0\nunit = "pa"\n{entries}')
    code, second = answer(capsys, result, tmp_path / "hall.toml", "--gate-ms", 3.2, *UP_TO)
    assert code == 0
    for one, other in zip(first["bands"], second["bands"], strict=True):  # type: ignore[call-overload]
        assert one["actual_db"] == pytest.approx(other["actual_db"], abs=2)


@pytest.mark.parametrize("kind", ["result", "csv", "sofa", "npz", "hdf5"])
def test_what_scanproc_wrote_comes_back_equal(
    kind: str, result: Path, tmp_path: Path, capsys: Captured
) -> None:
    directions = direction_set(workshop_expansion(), orbit_angles(30.0))
    place = tmp_path / f"other.{kind}"
    if kind == "result":
        place = result
    elif kind == "csv":
        write_direction_tables(place, directions)
    elif kind == "sofa":
        write_sofa(place, directions, About())
    elif kind == "npz":
        write_npz(place, directions)
    else:
        write_hdf5(place, [directions])
    code, found = answer(capsys, result, place, "--json")
    assert code == 0
    assert max(abs(value) for row in found["angles"] for value in row["difference_db"]) < 1e-3  # type: ignore[attr-defined]


def foreign_sofa(path: Path, convention: str, *, round_listener: bool = False) -> Path:
    """The hall's responses as another library writes them: by receiver, or with the source going round a listener."""
    sofa = sofar.Sofa(convention)
    impulse = responses(circle())
    response = impulse.impulse_response_pa
    delay = impulse.time_zero_s * impulse.sampling_rate_hz
    zero = np.zeros(len(ANGLES))
    places = np.stack([ANGLES % 360, zero, zero + DISTANCE_M], axis=1)
    moving, still = ("Source", "Receiver") if round_listener else ("Receiver", "Source")
    setattr(sofa, f"{moving}Position", places)
    setattr(sofa, f"{moving}Position_Type", "spherical")
    setattr(sofa, f"{moving}Position_Units", "degree, degree, metre")
    ears = 2 if convention == "SimpleFreeFieldHRIR" else 1
    if ears == 1:
        setattr(sofa, f"{still}Position", [[0.0, 0.0, 0.0]])
        setattr(sofa, f"{still}Position_Type", "cartesian")
        setattr(sofa, f"{still}Position_Units", "metre")
    sofa.Data_IR = np.repeat(response[:, None], ears, axis=1) if round_listener else response[None]
    sofa.Data_Delay = np.full((1, sofa.Data_IR.shape[1]), delay)
    sofa.Data_SamplingRate = impulse.sampling_rate_hz
    sofar.write_sofa(str(path), sofa)
    return path


@pytest.mark.parametrize("round_listener", [False, True])
def test_aes69_of_other_conventions(
    round_listener: bool, result: Path, tmp_path: Path, capsys: Captured
) -> None:
    place = foreign_sofa(tmp_path / "hall.sofa", "GeneralFIR", round_listener=round_listener)
    code, found = answer(capsys, result, place, "--unit", "pa", "--gate-ms", 3.2, *UP_TO)
    assert code == 0
    write_scan(tmp_path / "hall.h5", responses(circle()))
    _, known = answer(capsys, result, tmp_path / "hall.h5", "--gate-ms", 3.2, *UP_TO)
    labels = [[angle["label"] for angle in one["angles"][1:]] for one in (found, known)]  # type: ignore[attr-defined]
    assert labels[0] == labels[1]
    for one, other in zip(found["bands"], known["bands"], strict=True):  # type: ignore[call-overload]
        assert one["actual_db"] == pytest.approx(other["actual_db"], abs=2)


def test_aes69_that_cannot_be_a_reference(result: Path, tmp_path: Path, capsys: Captured) -> None:
    ears = foreign_sofa(tmp_path / "ears.sofa", "SimpleFreeFieldHRIR", round_listener=True)
    code, words = refusal(capsys, result, ears, "--unit", "pa")
    assert code == 1
    assert "has 2 receivers while the source moves and nothing says where it looks" in words
    code, words = refusal(capsys, result, foreign_sofa(tmp_path / "hall.sofa", "GeneralFIR"))
    assert (code, "does not say its unit" in words) == (2, True)
    emitters = tmp_path / "emitters.sofa"
    sofa = sofar.Sofa("GeneralFIR-E")
    sofa.Data_IR, sofa.Data_Delay = np.zeros((1, 1, 8, 2)), np.zeros((1, 1, 2))
    sofa.EmitterPosition = np.zeros((2, 3))
    sofar.write_sofa(str(emitters), sofa)
    code, words = refusal(capsys, result, emitters, "--unit", "pa")
    assert (code, "holds responses of 2 emitters, one was needed" in words) == (1, True)
    assert words.count("\n") == 1
    (tmp_path / "text.sofa").write_text("no SOFA")
    code, words = refusal(capsys, result, tmp_path / "text.sofa", "--unit", "pa")
    assert (code, words.count("\n")) == (1, 1)


def test_two_halves_of_a_scan(tmp_path: Path, capsys: Captured) -> None:
    write_scan(tmp_path / "scan.h5", monopole_scan())
    code, found = answer(capsys, "--halves", tmp_path / "scan.h5", "--json")
    assert code == 0
    assert found["reference"] == "its other half"
    assert found["alignment"]["gain_db"] == pytest.approx(0, abs=0.05)  # type: ignore[index]


def test_what_a_reference_does_not_say_must_be_stated(result: Path, tmp_path: Path, capsys: Captured) -> None:
    folder = wav_folder(tmp_path / "hall")
    code, words = refusal(capsys, result, folder, "--unit", "pa")
    assert code == 2
    assert "does not say its distance: state it with --distance (m)" in words
    code, words = refusal(capsys, result, folder, "--distance", 2)
    assert code == 2
    assert "does not say its unit: state it with --unit pa" in words


def test_bad_references_are_one_line(result: Path, tmp_path: Path, capsys: Captured) -> None:
    unknown = spectra_folder(tmp_path / "unknown", "unknown")
    mixed = spectra_folder(tmp_path / "mixed", "phase")
    short = mixed / "horizontal_+030_deg.csv"
    short.write_text("\n".join(short.read_text().splitlines()[:-3]) + "\n")
    nameless = spectra_folder(tmp_path / "nameless", "phase")
    (nameless / "horizontal_+030_deg.csv").rename(nameless / "left.csv")
    twice = spectra_folder(tmp_path / "twice", "phase")
    (twice / "horizontal_+30_deg.csv").write_text((twice / "horizontal_+030_deg.csv").read_text())
    (tmp_path / "empty").mkdir()
    expected = {
        unknown: "columns of unknown unit 'frequency_hz,level_dbfs'",
        mixed: "has other frequencies or columns than horizontal_+000_deg.csv",
        nameless: "its name does not say the angle: call it like horizontal_030.csv",
        twice: "the angle horizontal 30 deg comes twice",
        tmp_path / "empty": "holds no .wav, .csv, .txt file",
        tmp_path / "absent.h5": "there is no such file",
        tmp_path / "absent.wav": "its name does not say the angle",
    }
    for place, said in expected.items():
        code, words = refusal(capsys, result, place, "--distance", 2, "--unit", "pa")
        assert code == 1, place
        assert said in words
        assert words.startswith(f"scanproc: {place}")
        assert words.count("\n") == 1


def test_a_gate_needs_impulse_responses_that_outlast_it(
    result: Path, tmp_path: Path, capsys: Captured
) -> None:
    folder = spectra_folder(tmp_path / "text", "phase")
    code, words = refusal(capsys, result, folder, "--distance", 2, "--gate-ms", 3)
    assert (code, "is no impulse response, so nothing can be gated" in words) == (1, True)
    write_scan(tmp_path / "hall.h5", responses(circle()))
    code, words = refusal(capsys, result, tmp_path / "hall.h5", "--gate-ms", 300)
    assert (code, "ends past the record" in words) == (1, True)


@pytest.mark.parametrize(
    "arguments", [["a.h5"], ["a.h5", "b.h5", "--halves"], ["a.h5", "b.h5", "--align", "tilt"]]
)
def test_wrong_calls(arguments: list[str], capsys: Captured) -> None:
    assert refusal(capsys, *arguments)[0] == 2
