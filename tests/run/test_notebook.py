"""A notebook's way to results; numbers are those of the closed-form device."""

from __future__ import annotations

import doctest
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from planted import DISTANCE_M, Planted, device, expansion, reference
from small_scans import monopole_scan
from swept import level_folder, recorded

import scanproc as sp
from scanproc.errors import ScanDataError, ScanprocError, SettingsError
from scanproc.files.stored.not_known import ELSE
from scanproc.records.answers.distortion import Distortion
from scanproc.records.fitted.budget import Budget
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.run.notebook.distortion import NotebookDistortion
from scanproc.run.notebook.results import NotebookResult


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> NotebookResult:
    place = tmp_path_factory.mktemp("mast")
    known = expansion("mast")
    tried = np.where(np.arange(known.max_order + 1)[:, None] < 1, np.nan, known.held_out_db)
    known = replace(known, held_out_db=tried)
    sp.write_result(place / "result.h5", sp.Result(known, provenance={"device": "mast horn"}))
    return sp.read_result(place)


def test_a_directory_and_its_file_are_one(result: NotebookResult, tmp_path: Path) -> None:
    sp.write_result(tmp_path / "result.h5", sp.Result(expansion("mast")))
    for place in (tmp_path, tmp_path / "result.h5", str(tmp_path)):
        assert sp.read_result(place).expansion.points == 600
    with pytest.raises(ScanprocError, match=r"there is no such file|is a directory|cannot be read"):
        sp.read_result(tmp_path / "elsewhere")


def test_the_far_field_by_angle_is_the_devices_within_its_errors(result: NotebookResult) -> None:
    found = result.far_field(azimuth_deg=np.arange(0, 360, 15), elevation_deg=20)
    azimuth, elevation = np.deg2rad(np.arange(0, 360, 15)), np.deg2rad(20)
    flat = np.cos(elevation)
    direction = np.stack(
        [flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation) + 0 * azimuth], axis=1
    )
    exact = device("mast").far_field(direction, result.frequency_hz, 343.2)
    off = found.level_db - 20 * np.log10(np.abs(exact) / 20e-6)
    within = np.mean(np.abs(off) < 1.96 * found.standard_error_db)
    assert 0.9 < within < 0.99
    assert (found.unit, found.pressure.shape) == ("Pa·m", (24, len(result.frequency_hz)))


def test_the_pressure_at_positions_is_the_devices(result: NotebookResult) -> None:
    place = np.array([[0.8, 0.1, 0.0], [-1.0, 0.5, 0.7], [0.0, 3.0, 0.0]])
    found = result.pressure(place)
    exact = device("mast").pressure(place, result.frequency_hz, 343.2)
    relative = np.abs(found.pressure - exact) / np.abs(exact)
    assert np.median(relative) < 0.01
    off = found.level_db - 20 * np.log10(np.abs(exact) / 20e-6)
    assert np.mean(np.abs(off) < 1.96 * found.standard_error_db) > 0.9
    assert result.pressure([2.0, 0.0, 0.0]).label == ("x 2 y 0 z 0 m",)


def test_what_cannot_be_answered_is_said(result: NotebookResult) -> None:
    with pytest.warns(UserWarning, match="position 0 lies inside the scanned surface"):
        result.pressure([0.2, 0.0, 0.0])
    with pytest.raises(ScanDataError, match="position_m must hold finite x, y, z"):
        result.pressure([1.0, 2.0])
    with pytest.raises(ScanDataError, match="must be finite numbers along one axis"):
        result.far_field(azimuth_deg=np.nan)
    with pytest.raises(KeyError, match="no curve 'LW': there are on axis, listening window"):
        result.curves["LW"]
    with pytest.raises(AttributeError, match=r"no figure 'rsponse': there are .*response"):
        result.plot.rsponse()
    with pytest.raises(SettingsError, match="no direction set 'front': known are orbits-10"):
        result.directions["front"]


def test_every_figure_of_the_page_can_be_shown_and_kept(result: NotebookResult, tmp_path: Path) -> None:
    assert result.plot.names == tuple(one.text.key.replace("-", "_") for one in sp.figures(result))
    for name in ("response", "beamwidth", "index"):
        shown = getattr(result.plot, name)()
        assert shown.name == name
        assert shown._repr_html_().startswith("<figure><svg")
        assert repr(shown).startswith(f"Picture({name}: ")
    result.plot.response().save(tmp_path / "response.pdf")
    assert (tmp_path / "response.pdf").read_bytes().startswith(b"%PDF")


def test_representations_are_short(result: NotebookResult) -> None:
    case = reference(Planted("mast", (), 3))
    for one in (
        result,
        result.expansion,
        result.curves,
        result.directions,
        result.plot,
        result.far_field(),
        result.directions["orbits-30"],
        case,
        sp.compare(result, case),
    ):
        assert len(repr(one)) < 1600, type(one)
    assert repr(result).startswith("Result(device mast horn; points 600; band 60 Hz to 4 kHz")
    page = result._repr_html_()
    assert "<th>device</th><td>mast horn</td>" in page
    assert "<svg" in page


def test_tables_for_other_libraries(result: NotebookResult) -> None:
    xarray, pandas = pytest.importorskip("xarray"), pytest.importorskip("pandas")
    data, table = result.to_xarray(), result.to_pandas()
    assert isinstance(data, xarray.Dataset)
    assert isinstance(table, pandas.DataFrame)
    axis = result.curves["on axis"]
    np.testing.assert_array_equal(data["on axis"].values, axis.value)
    np.testing.assert_array_equal(table["on axis error"].to_numpy(), axis.standard_error)
    field = result.far_field([0, 90]).to_xarray()
    assert field["pressure"].dims == ("place", "frequency_hz")


def test_a_missing_library_is_named(result: NotebookResult, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(ImportError, match="xarray is not installed: install it with pip install xarray"):
        result.to_xarray()


def test_compare_takes_records_results_and_files(result: NotebookResult, tmp_path: Path) -> None:
    case = reference(Planted("mast", (("gain", 1.0),), 3))
    assert sp.compare(result, case).causes[0].kind == "gain"
    assert sp.compare(result.expansion, result).matches
    sp.write_result(tmp_path / "result.h5", sp.Result(expansion("mast")))
    assert sp.compare(tmp_path, tmp_path / "result.h5").matches
    for angle in (0, 90):
        rows = "\n".join(f"{hz} 90 0" for hz in np.geomspace(70, 3000, 40))
        (tmp_path / f"H{angle}.txt").write_text(rows)
    found = sp.compare(result, tmp_path / "H0.txt", distance_m=DISTANCE_M, unit="pa")
    assert not found.matches


def test_a_plan_by_keywords() -> None:
    found = sp.plan(size_m=(0.4, 0.3, 0.5), up_to_hz=800.0)
    assert len(found.positions.position_m) > 20
    assert len(repr(found)) < 1600
    with pytest.raises(
        SettingsError, match="plan has no setting 'device_size_m': known are size_m, up_to_hz"
    ):
        sp.plan(device_size_m=(0.4, 0.3, 0.5), up_to_hz=800.0)
    with pytest.raises(SettingsError, match="plan needs up_to_hz"):
        sp.plan(size_m=(0.4, 0.3, 0.5))


@pytest.fixture(scope="module")
def names(result: NotebookResult, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the examples of the docstrings know."""
    folder, scan = tmp_path_factory.mktemp("slipway"), monopole_scan(40)
    sp.write_scan(folder / "scan.h5", scan)
    sp.write_result(folder / "result" / "result.h5", sp.Result(result.expansion))
    level_folder(folder / "levels")
    recorded(folder / "sweeps", points=8)
    (folder / "quick.toml").write_text("[fit]\norder = 4\n", encoding="utf-8")
    (folder / "H0.txt").write_text("\n".join(f"{hz} 90 0" for hz in np.geomspace(70, 3000, 40)))
    known = {"sp": sp, "np": np, "folder": folder, "scan": scan, "result": result, "distorted": distorted()}
    quick = {"fit": {"order": 4}, "check": {"run": False}, "points": {"in_convert": False}}
    return known | {"quick": sp.Settings.model_validate(quick)}


@pytest.mark.parametrize("name", [name for name in sp.__all__ if name != "__version__"])
def test_everything_public_has_words_and_an_example_that_runs(name: str, names: dict[str, Any]) -> None:
    public = getattr(sp, name)
    assert len((public.__doc__ or "").split()) > 4
    found = doctest.DocTestFinder(recurse=name.startswith("Notebook")).find(public, name, globs=dict(names))
    assert any(one.examples for one in found)
    for one in found:
        words: list[str] = []
        assert doctest.DocTestRunner().run(one, out=words.append).failed == 0, "".join(words)


def distorted() -> NotebookDistortion:
    """Second harmonic 40 dB below the fundamental, 20 dB above the noise, but for the highest frequency."""
    shape = (1, 3, 2)
    level = np.full(shape, 50.0)
    level[..., 1] = np.nan
    level_of = {"fundamental_db": np.full(shape[1:], 90.0), "own_db": np.full(shape, 84.0)}
    noise = {"standard_error_db": level * 0.01, "floor_db": level - 20}
    return NotebookDistortion.of(
        Distortion(np.array([100.0, 200.0]), np.array([2]), level, **noise, **level_of)
    )


def test_distortion_by_name_and_what_is_not_known_of_it(tmp_path: Path) -> None:
    """-40 dB is 1 %; excited at 200 Hz the harmonic lies beyond the band, and the file says so."""
    sp.write_result(tmp_path / "result.h5", sp.Result(expansion("mast"), distortion=distorted()))
    found = sp.read_result(tmp_path)
    assert found.distortion is not None
    total, own = found.distortion.total("listening window"), found.distortion.harmonic(2, reference="own")
    assert total.value_db[0] == -40.0
    assert own.value_db[0] == -34.0
    assert np.isnan(total.value_db[1])
    assert found.not_known["distortion/level_db"].startswith("NaN: beyond the band")
    with h5py.File(tmp_path / "result.h5") as file:
        assert file["distortion/level_db"].attrs["not_known"] == found.not_known["distortion/level_db"]
        assert "not_known" not in file["distortion/fundamental_db"].attrs
    assert "at most 1 % of the fundamental" in repr(found.distortion)
    assert "1 %" in found.distortion._repr_html_()
    assert "distortion_on_axis" in found.plot.names
    with pytest.raises(
        SettingsError, match="no place 'axis': there are on axis, listening window, sound power"
    ):
        found.distortion.total("axis")
    with pytest.raises(SettingsError, match="no harmonic 5: there are 2"):
        found.distortion.harmonic(5)


def test_every_value_that_is_no_number_has_a_reason_of_its_own(result: NotebookResult) -> None:
    """Whatever is NaN or infinite in memory is named, with a reason that is not the general one."""
    assert set(result.not_known) == {"error/held_out_db"}
    assert ELSE not in result.not_known.values()


def test_a_result_reads_back_whole(tmp_path: Path) -> None:
    """What a plan like it needs, and its distortion, come along."""
    plan = FitPlan(
        np.array([100.0]), np.array([-1]), np.zeros(3), np.array([np.nan]), np.zeros(3), np.ones(3), np.empty((0, 3)),
        None, 0.0, 0.0, np.empty((0, 3)), np.empty((0, 3)), (np.nan, np.nan), np.array([100.0]), ("surface", "place"),
        np.array([[0.5], [np.nan]]), np.array([1e-4]), np.array([-40.0]),
    )  # fmt: skip
    sp.write_result(tmp_path / "result.h5", sp.Result(expansion("mast"), learnt=(plan,)))
    found = sp.read_result(tmp_path)
    assert found.learnt[0].block_names == ("surface", "place")
    assert found.not_known["learnt/1/block_weight"] == "NaN: the model has no such part at this frequency"


def test_levels_in_a_notebook(names: dict[str, Any], tmp_path: Path) -> None:
    settings = sp.ImportSettings.model_validate({"drive": {"length_s": 0.3, "harmonics": 3}})
    found = sp.levels(names["folder"] / "levels", settings, distortion_percent=3.0)
    assert found.highest_within_v == 4.0
    assert repr(found).startswith("Levels(Up to 4 V it stays within 1 dB")
    assert "<svg" in found._repr_html_()
    assert found.found.compression_db.shape == (5, len(found.found.frequency_hz))
    found.save(tmp_path / "out")
    assert (tmp_path / "out" / "report.html").exists()
    table = pytest.importorskip("pandas").read_csv(tmp_path / "out" / "by-level.csv")
    assert len(found.to_pandas()) == len(table)


def test_a_result_says_where_its_error_comes_from(tmp_path: Path) -> None:
    hz = np.array([100.0, 1000.0])
    share = np.array([[0.7, 0.1], [0.0, 0.0], [0.1, 0.6], [0.0, 0.1], [0.2, 0.2]])
    stated = Budget(hz, np.array([-30.0, -25.0]), share, np.full((5, 2), -31.0), 4e-4)
    sp.write_result(tmp_path / "result.h5", sp.Result(expansion("mast"), budget=stated))
    budget = sp.read_result(tmp_path).budget
    assert budget is not None
    assert budget.limiting() == ["points", "places"]
    assert np.array_equal(budget.share, share)
    assert budget.place_error_m == 4e-4
