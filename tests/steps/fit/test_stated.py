"""A device that is not where or as large as it is said to be: boundary elements as truth (tests/truth/README.md)."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest
from truth import FOLDER

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.each import in_turn
from scanproc.steps.fit.plan import prepare
from scanproc.steps.fit.stated import contradicted, credible_box
from scanproc.steps.model.box import device_box

HZ = (500, 1300, 2600)


@pytest.fixture(scope="module")
def scan() -> Scan:
    rng = np.random.default_rng(2)
    with h5py.File(FOLDER / "bem-box-d.h5") as file:
        every = file["frequency_hz"][:]
        used = [int(np.abs(every - hz).argmin()) for hz in HZ]
        rows = np.sort(rng.permutation(len(file["shell_position_m"]))[:200])
        position = file["shell_position_m"][:][rows]
        pressure = file["shell_pressure"][:][rows][:, used].astype(complex)
        setup = ScanSetup(
            position,
            device_size_m=file.attrs["box_size_xyz_m"],
            device_centre_m=file.attrs["box_centre_m"],
            speed_of_sound_m_s=343.2,
            environment="anechoic",
        )
    noise = rng.standard_normal((*pressure.shape, 2)) @ [1, 1j] / np.sqrt(2)
    pressure = pressure + 10 ** (-50 / 20) * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * noise
    return Scan(setup, every[used], pressure)


def said(scan: Scan, size: float = 1.0, shift_m: float = 0.0) -> Scan:
    assert scan.setup.device_size_m is not None
    assert scan.setup.device_centre_m is not None
    return replace(
        scan,
        setup=replace(
            scan.setup,
            device_size_m=scan.setup.device_size_m * size,
            device_centre_m=scan.setup.device_centre_m + shift_m * np.array([0.0, 0.6, 0.8]),
        ),
    )


def test_a_right_statement_is_kept(scan: Scan) -> None:
    assert contradicted(scan.setup, prepare(scan, find_positions=False)) == ()


@pytest.mark.parametrize("wrong", [{"shift_m": 0.1}, {"size": 0.4, "shift_m": 0.05}])
def test_a_box_that_the_sound_contradicts_gives_way_to_one_that_holds_the_device(
    scan: Scan, wrong: dict[str, float]
) -> None:
    told, right = said(scan, **wrong), device_box(scan.setup)
    plan = prepare(told, find_positions=False)
    assert contradicted(told.setup, plan) == ("device_size_m",)
    assert np.all(np.abs(plan.box_centre_m - right.centre_m) <= (plan.box_size_m - right.size_m) / 2)


def test_a_guess_is_not_weighed(scan: Scan) -> None:
    silent = replace(scan, setup=replace(scan.setup, device_size_m=None, device_centre_m=None))

    def nothing(*_: object) -> list[object]:
        raise AssertionError("nothing is stated")

    box = credible_box(silent, np.arange(3), False, nothing)  # type: ignore[arg-type]
    assert np.all(box.centre_m == device_box(silent.setup).centre_m)
    assert (
        credible_box(scan, np.arange(3), False, in_turn).size_m.tolist() == scan.setup.device_size_m.tolist()
    )  # type: ignore[union-attr]
