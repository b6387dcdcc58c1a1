from __future__ import annotations

import numpy as np
import pytest
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from service.expect.temperature import SAPM_SETS, cell_temperature

LIBRARY_NAMES = {
    "close_roof": "close_mount_glass_glass",
    "insulated_back": "insulated_back_glass_polymer",
    "open_rack": "open_rack_glass_glass",
}


@pytest.mark.parametrize("mounting", SAPM_SETS)
def test_the_sets_are_the_published_ones(mounting: str) -> None:
    published = TEMPERATURE_MODEL_PARAMETERS["sapm"][LIBRARY_NAMES[mounting]]
    assert SAPM_SETS[mounting] == (published["a"], published["b"], published["deltaT"])


def test_without_light_the_cell_is_as_warm_as_the_air() -> None:
    assert cell_temperature(0.0, air_temp_c=12.5, wind_m_s=3, mounting="close_roof") == 12.5


def test_light_warms_and_wind_cools() -> None:
    light = cell_temperature([0, 500, 1000], air_temp_c=20, wind_m_s=1, mounting="close_roof")
    assert (np.diff(light) > 0).all()
    wind = cell_temperature(800, air_temp_c=20, wind_m_s=np.array([0, 1, 5, 12]), mounting="open_rack")
    assert (np.diff(wind) < 0).all()


def test_a_ventilated_rack_is_cooler_than_a_roof_and_that_than_insulation() -> None:
    warm = [
        float(cell_temperature(800, air_temp_c=20, wind_m_s=1, mounting=m))
        for m in ("open_rack", "close_roof", "insulated_back")
    ]
    assert warm == sorted(warm)


def test_arrays_broadcast_and_unknown_stays_unknown() -> None:
    poa = np.array([[100.0, np.nan], [800.0, 900.0]])
    cell = cell_temperature(poa, air_temp_c=np.array([10.0, 20.0]), wind_m_s=1.0, mounting="close_roof")
    assert cell.shape == (2, 2)
    np.testing.assert_array_equal(np.isnan(cell), np.isnan(poa))
    assert np.isnan(cell_temperature(500, air_temp_c=np.nan, wind_m_s=1, mounting="close_roof"))


def test_an_unknown_mounting_is_refused_with_the_choices() -> None:
    with pytest.raises(ValueError, match="'on_a_pole' is not known; use one of close_roof"):
        cell_temperature(500, air_temp_c=20, wind_m_s=1, mounting="on_a_pole")
