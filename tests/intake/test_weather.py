"""Weather as it is sent: its lists, its bounds, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.intake.problems import Refused
from service.intake.weather import checked, samples_from_weather
from tests.intake.roof import record


def _weather(**fields: Any) -> dict[str, Any]:
    return {"interval_min": 15, "start": "2026-05-04T00:00:00+01:00", **fields}


def test_each_list_is_a_channel_and_a_sensor_one_of_its_plane() -> None:
    data = _weather(ghi_w_m2=[1, None], air_temp_c=[-5.5], wind_m_s=None, poa_w_m2={" south roof": [3]})
    found = {s.channel: s.values.tolist() for s in samples_from_weather(data)}

    assert list(found) == ["ghi_w_m2", "air_temp_c", "poa_w_m2:south roof"]
    assert found["air_temp_c"] == [-5.5]
    assert np.isnan(found["ghi_w_m2"][1])


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("ghi_w_m2", -20, 2000),
        ("dni_w_m2", -20, 1500),
        ("dhi_w_m2", -20, 1500),
        ("air_temp_c", -90, 60),
        ("wind_m_s", 0, 120),
    ],
)
def test_values_outside_the_bounds_are_kept_out(name: str, low: float, high: float) -> None:
    sent = samples_from_weather(_weather(**{name: [low, high, low - 1, high + 1, float("inf")]}))
    batch = checked(sent, record())

    assert np.isnan(batch.samples[0].values).tolist() == [False, False, True, True, True]
    assert batch.rejected == 3
    assert {p.field for p in batch.problems} == {name}


def test_a_sensor_of_an_unknown_plane_is_refused() -> None:
    sent = samples_from_weather(_weather(poa_w_m2={"north roof": [1]}))

    with pytest.raises(Refused, match=r"poa_w_m2\.north roof: names none of the site's planes"):
        checked(sent, record())


@pytest.mark.parametrize(
    ("data", "field", "message"),
    [
        ([], "", "must be an object"),
        (_weather(), "ghi_w_m2", "is required"),
        (_weather(ghi=[1]), "ghi", "did you mean ghi_w_m2"),
        (_weather(ghi_w_m2=[1], interval_min=20), "interval_min", "give 5"),
        (_weather(ghi_w_m2=[1], start="2026-05-04T00:00:00"), "start", "no offset"),
        (_weather(ghi_w_m2=[1], start="2026-05-04T00:00:07Z"), "start", "whole minute"),
        (_weather(ghi_w_m2=[1, 1], start="2099-12-31T23:45:00Z"), "start", "beyond the year 2100"),
        (_weather(ghi_w_m2=["1"]), "ghi_w_m2[0]", "number or null"),
        (_weather(ghi_w_m2=1), "ghi_w_m2", "list of numbers"),
        (_weather(poa_w_m2=[1]), "poa_w_m2", "one list for each plane"),
        (_weather(poa_w_m2={"south roof": [True]}), "poa_w_m2.south roof[0]", "number or null"),
    ],
)
def test_wrong_form_is_refused_by_place(data: Any, field: str, message: str) -> None:
    with pytest.raises(Refused) as refused:
        samples_from_weather(data)

    assert message in {e.field: e.message for e in refused.value.errors}[field]
