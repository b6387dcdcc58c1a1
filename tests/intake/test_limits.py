"""Which values are kept out of a batch, how that is said, and when a batch is kept whole instead."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.intake.batch import LISTED, Batch
from service.intake.limits import checked
from service.store.grids import Samples
from tests.intake.roof import SERIALS, record

RATED_W = 350
SUNNY_DAY = RATED_W * np.clip(np.sin((np.arange(288) / 12 - 6) / 12 * np.pi), 0, None)
"""Mean powers of a day from 6 to 18 h, W: a half sine without physics."""


def _samples(
    values: Any, *, serial: str = SERIALS[0], channel: str = "energy_wh", interval: int = 5
) -> Samples:
    array = np.array(values, dtype=np.float64)
    return Samples(serial, channel, interval, 1_777_852_800 + 60 * interval * np.arange(array.size), array)


def _checked(*sent: Samples) -> Batch:
    return checked(sent, record())


def _kept(batch: Batch) -> list[list[float | None]]:
    return [[None if np.isnan(v) else v for v in s.values.tolist()] for s in batch.samples]


def test_a_value_that_cannot_be_right_is_kept_out_and_listed() -> None:
    batch = _checked(_samples([1, -0.1, np.nan, np.inf, 44, 2]))

    assert _kept(batch) == [[1, None, None, None, None, 2]]
    assert batch.rejected == 3
    assert [(p.serial, p.start, p.field, p.value) for p in batch.problems] == [
        (SERIALS[0], "2026-05-04T00:05:00+00:00", "energy_wh", -0.1),
        (SERIALS[0], "2026-05-04T00:15:00+00:00", "energy_wh", None),
        (SERIALS[0], "2026-05-04T00:20:00+00:00", "energy_wh", 44),
    ]
    assert [p.message.partition(",")[0].partition(";")[0] for p in batch.problems] == [
        "is below 0",
        "is not a finite number",
        "is far more than the inverter can give (at most 43.75)",
    ]


@pytest.mark.parametrize(
    ("channel", "interval", "good", "bad"),
    [
        ("energy_wh", 60, [0, -0.0, 525], [-1, 526]),
        ("energy_wh", 5, [0, 43.75], [43.76]),
        ("power_w", 5, [0, 525], [-1, 526]),
        ("dc_voltage_v", 5, [0, 1500], [-1, 1501]),
        ("ac_voltage_v", 5, [0, 1000], [-1, 1001]),
        ("frequency_hz", 5, [0, 100], [-1, 101]),
        ("temperature_c", 5, [-60, 150], [-61, 151]),
        ("signal_pct", 5, [0, 100], [-1, 101]),
    ],
)
def test_each_channel_has_its_bounds(
    channel: str, interval: int, good: list[float], bad: list[float]
) -> None:
    batch = _checked(_samples([*good, *bad], channel=channel, interval=interval))

    assert batch.rejected == len(bad)
    assert not np.isnan(batch.samples[0].values[: len(good)]).any()
    assert {p.field for p in batch.problems} == {channel}


def test_a_serial_not_on_record_may_give_what_the_largest_inverter_gives() -> None:
    assert _checked(_samples([43.75, 43.76], serial="stranger")).rejected == 1


def test_a_unit_is_judged_by_its_own_inverter() -> None:
    data = record()
    data["inverter_types"].append({"name": "large", "ac_rated_w": 1000, "efficiency": 0.96})
    data["units"][1]["inverter_type"] = "large"
    batch = checked([_samples([100], serial=SERIALS[1]), _samples([100])], data)

    assert _kept(batch) == [[100], [None]]


def test_an_input_may_give_what_the_whole_inverter_gives() -> None:
    data = record()
    for number, unit in enumerate(data["units"], start=1):
        unit["serial"] = f"{SERIALS[0]}/{number}"

    assert _kept(checked([_samples([43.75, 43.76], serial=f"{SERIALS[0]}/2")], data)) == [[43.75, None]]


@pytest.mark.parametrize("interval", [5, 10, 15, 30, 60])
def test_watts_sent_as_watt_hours_are_kept_whole(interval: int) -> None:
    powers = SUNNY_DAY[:: interval // 5]
    batch = _checked(*(_samples(powers, serial=s, interval=interval) for s in SERIALS))

    if interval == 60:  # here W and Wh are the same
        assert batch.problems == ()
    else:
        assert [p.serial for p in batch.problems] == [None]
    assert batch.rejected == 0
    assert _kept(batch)[0] == powers.tolist()


@pytest.mark.parametrize("factor", [3.6, 10, 1000, 3600])
def test_a_constant_factor_keeps_the_batch_whole_and_is_said_once(factor: float) -> None:
    batch = _checked(*(_samples(SUNNY_DAY / 12 * factor, serial=s) for s in SERIALS))

    assert batch.rejected == 0
    assert len(batch.problems) == 1
    assert batch.problems[0].field == "energy_wh"
    assert "in another unit of measure" in batch.problems[0].message


def test_negative_values_are_kept_out_of_a_batch_with_a_factor_too() -> None:
    scaled = SUNNY_DAY * 100
    scaled[0] = -1
    batch = _checked(_samples(scaled))

    assert batch.rejected == 1
    assert [p.value for p in batch.problems] == [None, -1]


def test_stray_readings_of_a_counter_are_kept_out_however_many() -> None:
    strays = SUNNY_DAY / 12
    strays[::4] = 65_535
    batch = _checked(_samples(strays), _samples(SUNNY_DAY / 12, serial=SERIALS[1]))

    assert batch.rejected == 72


def test_one_unit_of_three_with_a_factor_is_kept_out_by_value() -> None:
    good = [_samples(SUNNY_DAY / 12, serial=s) for s in SERIALS[1:]]
    batch = _checked(_samples(SUNNY_DAY), *good)

    assert batch.rejected == int(np.count_nonzero(SUNNY_DAY > 43.75))
    assert all(p.serial == SERIALS[0] for p in batch.problems)


def test_fewer_than_twelve_values_do_not_make_a_factor() -> None:
    assert _checked(_samples([300] * 11)).rejected == 11
    assert _checked(_samples([300] * 12)).rejected == 0


def test_powers_are_judged_apart_from_energies() -> None:
    batch = _checked(_samples(SUNNY_DAY, channel="power_w"), _samples(SUNNY_DAY * 100, channel="energy_wh"))

    assert [p.field for p in batch.problems] == ["energy_wh"]
    assert batch.rejected == 0


def test_problems_are_listed_up_to_a_limit_and_counted_beyond() -> None:
    batch = _checked(_samples([-1.0] * 1500), _samples([-1.0] * 600, serial=SERIALS[1]))

    assert batch.rejected == 2100
    assert len(batch.problems) == LISTED + 1
    assert batch.problems[-1].message == "1100 more values were kept out and not listed"
