"""Devices that describe themselves by SunSpec models, read from a real Modbus TCP server.

Where a point stands in a model is written here by hand as the published tables give it (SunSpec Information Model
Reference, models 1, 103, 160, 502, 701), not taken from the library that reads it.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest

from service.collect.sunspec import SunSpec
from service.collect.trouble import Trouble
from tests.collect.modbus_server import Image, modbus_server, words
from tests.collect.test_registers import read_once

SUNS = [0x5375, 0x6E53]
END = [0xFFFF, 0]
NO_INT16, NO_UINT16 = 0x8000, 0xFFFF


def source(port: int, devices: tuple[int, ...] = (1,), **settings: Any) -> SunSpec:
    given = {
        "kind": "sunspec",
        "name": "loft",
        "host": "127.0.0.1",
        "port": port,
        "every_s": 1,
        "timeout_s": 0.3,
    }
    return SunSpec.model_validate({**given, "devices": devices, **settings})


def model(number: int, length: int, points: dict[int, list[int]]) -> list[int]:
    """Return a model's registers; `points` by their distance from its beginning, all else not implemented."""
    registers = [number, length, *[NO_UINT16] * length]
    for at, held in points.items():
        registers[at : at + len(held)] = held
    return registers


def common(serial: str) -> list[int]:
    text = serial.encode().ljust(32, b"\0")
    empty = [0] * 16
    return model(
        1, 66, {2: empty, 18: empty, 34: [0] * 8, 42: [0] * 8, 50: list(struct.unpack(">16H", text)), 66: [1]}
    )


def inverter(*, watts: int, wh: int, wh_scale: int = 0) -> list[int]:
    """Return model 103 with what a unit tells: 231.4 V, 50.02 Hz, 38.1 V DC and 41.5 degrees."""
    return model(103, 50, {
        2: [0], 6: [0], 10: [2314, NO_UINT16, NO_UINT16], 13: words(-1, "int16"), 14: words(watts, "int16"),
        15: words(-1, "int16"), 16: [5002], 17: words(-2, "int16"), 24: words(wh, "uint32"),
        26: words(wh_scale, "int16"), 29: [381], 30: words(-1, "int16"), 31: [NO_INT16], 33: words(415, "int16"),
        34: [NO_INT16] * 3, 37: words(-1, "int16"), 38: [4],
    })  # fmt: skip


def device(*models: list[int], place: int = 40_000) -> Image:
    return {place: [*SUNS, *(register for one in models for register in one), *END]}


def values(found: SunSpec) -> dict[tuple[str, str], float]:
    (samples,) = read_once(found).given
    return {(s.serial, s.kind): pytest.approx(s.value) for s in samples}


@pytest.mark.parametrize("place", [40_000, 0, 50_000])
def test_an_inverter_is_found_wherever_its_models_begin(place: int) -> None:
    held = device(common("R-77"), inverter(watts=2123, wh=1_234_567), place=place)
    with modbus_server({1: held}) as port:
        assert values(source(port)) == {
            ("R-77", "counter_wh"): 1_234_567,
            ("R-77", "dc_voltage_v"): 38.1,
            ("R-77", "ac_voltage_v"): 231.4,
            ("R-77", "frequency_hz"): 50.02,
            ("R-77", "temperature_c"): 41.5,
        }


@pytest.mark.parametrize(("wh", "scale"), [(1234, 3), (0, 0)])
def test_power_is_taken_where_the_counter_is_coarse_or_missing(wh: int, scale: int) -> None:
    with modbus_server({1: device(common("R-1"), inverter(watts=2123, wh=wh, wh_scale=scale))}) as port:
        found = values(source(port))
    assert found["R-1", "power_w"] == 212.3
    assert ("R-1", "counter_wh") not in found


def test_devices_behind_a_gateway_with_serials_of_the_record() -> None:
    devices = {n: device(common(f"OWN{n}"), inverter(watts=100 * n, wh=n)) for n in (1, 2)}
    with modbus_server(devices) as port:
        found = values(source(port, (1, 2), serials={"2": "482913377002", "OWN1": "482913377001"}))
    assert found["482913377001", "counter_wh"] == 1
    assert found["482913377002", "counter_wh"] == 2


def test_inputs_metered_apart() -> None:
    scales = {2: [*[0] * 2], 4: words(0, "int16"), 5: words(0, "int16")}
    inputs = [
        [n, *[0] * 8, 0, 40 + n, 300 + n, *words(1000 * n, "uint32"), *words(0, "uint32"), 30 + n, 4, 0, 0]
        for n in (1, 2)
    ]
    several = model(160, 8 + 2 * 20, {**scales, 6: [0, 0], 8: [2], 9: [0], 10: inputs[0], 30: inputs[1]})
    with modbus_server({1: device(common("R-5"), inverter(watts=6000, wh=9), several)}) as port:
        found = values(source(port, inputs=True))
        assert values(source(port)).keys() >= {("R-5", "counter_wh")}
    assert found == {
        ("R-5/1", "counter_wh"): 1000, ("R-5/1", "dc_voltage_v"): 41, ("R-5/1", "temperature_c"): 31,
        ("R-5/2", "counter_wh"): 2000, ("R-5/2", "dc_voltage_v"): 42, ("R-5/2", "temperature_c"): 32,
    }  # fmt: skip


def test_a_module_that_tells_of_itself() -> None:
    held = model(502, 28, {
        2: words(-2, "int16"), 3: words(-1, "int16"), 4: words(0, "int16"), 5: words(0, "int16"), 6: [1],
        19: [100], 20: [2300], 21: words(4321, "uint32"), 23: [305], 24: [36], 25: [800], 26: [384],
        27: words(4400, "uint32"), 29: [312],
    })  # fmt: skip
    with modbus_server({1: device(common("M-1"), held)}) as port:
        assert values(source(port)) == {
            ("M-1", "counter_wh"): 4321,
            ("M-1", "dc_voltage_v"): 38.4,
            ("M-1", "temperature_c"): 36,
        }


@pytest.mark.parametrize(
    ("held", "said"),
    [
        ({40_000: [1, 2, 3, 4]}, "does not describe itself by SunSpec"),
        (device(common("R-1")), "none of its models tells of energy"),
        (device(common(""), inverter(watts=1, wh=1)), "give it under serials"),
        ({40_000: [*SUNS, *common("R-1"), *[103, 0] * 300]}, "not well formed"),
        ({40_000: [*SUNS, *common("R-1"), *inverter(watts=1, wh=1)[:30]]}, "no such registers"),
        ({40_000: [*SUNS, *common("R-1"), 103, 3, 0, 0, 0, *END]}, "has no values"),
    ],
)
def test_what_cannot_be_read_is_told(held: Image, said: str) -> None:
    with modbus_server({1: held}) as port, pytest.raises(Trouble, match=said):
        source(port).probe()


def test_without_inputs_of_its_own_it_says_so() -> None:
    held = device(common("R-1"), inverter(watts=1, wh=1))
    with modbus_server({1: held}) as port, pytest.raises(Trouble, match="does not meter its inputs apart"):
        source(port, inputs=True).probe()
