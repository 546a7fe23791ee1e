"""Sound in air against published tables (tests/truth/air_and_gate.json names their sources)."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.waves import air


@pytest.mark.parametrize("row", rows("air_and_gate", "air"))
def test_speed_and_density(row: tuple[float, ...]) -> None:
    celsius, humidity, iso, _, cramer, density, _ = row
    assert air.speed_of_sound_m_s(celsius) == pytest.approx(iso, rel=1e-12)
    assert air.speed_in_moist_air_m_s(celsius, humidity) == pytest.approx(cramer, rel=1e-12)
    assert air.density_kg_m3(celsius, humidity_percent=humidity) == pytest.approx(density, rel=1e-12)


@pytest.mark.parametrize("row", rows("air_and_gate", "absorption"))
def test_absorption(row: tuple[float, float, str, float, float, str]) -> None:
    celsius, humidity, _, frequency, formula, published = row
    found = 1000 * float(air.absorption_db_m(frequency, celsius, humidity))
    assert found == pytest.approx(formula, rel=1e-9)
    rounding = 0.5 if float(published) >= 100 else 0.06
    assert found == pytest.approx(float(published), abs=rounding)


def test_absorption_off_the_band_centres() -> None:
    table = np.array(rows("air_and_gate", "absorption_more"), dtype=float)
    np.testing.assert_allclose(1000 * air.absorption_db_m(table[:, 0], 20.0, 50.0), table[:, 1], rtol=1e-9)
    np.testing.assert_allclose(1000 * air.absorption_db_m(table[:, 0], 20.0, 70.0), table[:, 2], rtol=1e-9)


def test_thin_air_absorbs_more_at_high_frequencies() -> None:
    """The classical part goes as 1/pressure (ISO 9613-1), so it must rule at 1 MHz in dry air."""
    low, high = (float(air.absorption_db_m(1e6, 20.0, 0.0, kpa)) for kpa in (50.6625, 101.325))
    assert low / high == pytest.approx(2.0, rel=0.01)
