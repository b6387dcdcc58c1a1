"""Plain register maps, read from a real Modbus TCP server."""

from __future__ import annotations

from threading import Event, Thread
from typing import Any

import pytest
from pydantic import ValidationError

from service.collect.registers import Registers
from service.collect.trouble import Trouble
from tests.collect.modbus_server import modbus_server, words
from tests.collect.sink import Kept
from tests.ports import free_port


def source(port: int, **settings: Any) -> Registers:
    given = {
        "kind": "modbus",
        "name": "loft",
        "host": "127.0.0.1",
        "port": port,
        "every_s": 1,
        "timeout_s": 0.3,
        "unit": [{"serial": "R-1", "device": 1}],
        "register": [{"kind": "power_w", "address": 10, "type": "uint16"}],
        **settings,
    }
    return Registers.model_validate(given)


def read_once(settings: Registers) -> Kept:
    """Run the source until it gave once."""
    kept, stop = Kept(), Event()
    running = Thread(target=settings.run, args=(kept, stop), daemon=True)
    running.start()
    assert kept.enough.wait(10)
    stop.set()
    running.join(5)
    assert not running.is_alive()
    return kept


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("int16", -321), ("uint16", 65_000), ("int32", -70_000), ("uint32", 4_000_000_000), ("int64", -(2**40)),
        ("uint64", 2**50), ("float32", 230.5), ("float64", 1234.0625),
    ],
)  # fmt: skip
def test_every_type_in_both_orders(kind: str, value: float, order: str) -> None:
    register = {"kind": "power_w", "address": 10, "type": kind, "words": order}
    with modbus_server({1: {10: words(value, kind, order)}}) as port:
        (samples,) = read_once(source(port, register=[register])).given
    assert [(s.serial, s.kind, s.value) for s in samples] == [("R-1", "power_w", value)]


def test_units_behind_one_gateway_and_beside_each_other_in_one_device() -> None:
    registers = [
        {"kind": "counter_kwh", "address": 0, "type": "uint32", "factor": 0.01},
        {"kind": "ac_voltage_v", "address": 2, "type": "uint16", "factor": 0.1, "table": "holding"},
        {"kind": "temperature_c", "address": 9, "type": "int16", "missing": [-32768]},
    ]
    images = {
        1: {0: [*words(1234, "uint32"), 2315], 9: [0x8000], 100: [*words(99, "uint32"), 2290], 109: [41]},
        7: {0: [*words(5, "uint32"), 0], 9: [3]},
    }
    units = [
        {"serial": "R-1", "device": 1},
        {"serial": "R-2", "device": 1, "offset": 100},
        {"serial": "R-3", "device": 7},
    ]
    with modbus_server(images) as port:
        (samples,) = read_once(source(port, unit=units, register=registers)).given
    assert {(s.serial, s.kind): pytest.approx(s.value) for s in samples} == {
        ("R-1", "counter_kwh"): 12.34,
        ("R-1", "ac_voltage_v"): 231.5,
        ("R-2", "counter_kwh"): 0.99,
        ("R-2", "ac_voltage_v"): 229.0,
        ("R-2", "temperature_c"): 41.0,
        ("R-3", "counter_kwh"): 0.05,
        ("R-3", "ac_voltage_v"): 0.0,
        ("R-3", "temperature_c"): 3.0,
    }


def test_input_registers_are_another_table() -> None:
    register = {"kind": "power_w", "address": 10, "type": "uint16", "table": "input"}
    with modbus_server({1: {10: [77]}}, input_registers=True) as port:
        assert read_once(source(port, register=[register])).given[0][0].value == 77
        with pytest.raises(Trouble, match="no such registers"):
            source(port).probe()


def test_one_that_is_silent_hinders_no_other() -> None:
    units = [{"serial": f"R-{n}", "device": n} for n in (1, 2, 3)]
    with modbus_server({1: {10: [100]}, 3: {10: [300]}}) as port:
        kept = read_once(source(port, unit=units))
    assert [(s.serial, s.value) for s in kept.given[0]] == [("R-1", 100.0), ("R-3", 300.0)]
    assert "R-2" in kept.troubles[0]
    assert "R-1" not in kept.troubles[0]
    assert kept.heard_times == 0


def test_registers_that_are_not_there_are_told_with_the_remedy() -> None:
    with modbus_server({1: {0: [1]}}) as port, pytest.raises(Trouble, match="correct the address"):
        source(port).probe()


def test_nothing_at_the_address_is_told_with_the_remedy() -> None:
    with pytest.raises(Trouble, match="check power, network, host and port"):
        source(free_port()).probe()


def test_a_probe_says_what_came() -> None:
    with modbus_server({1: {10: [212]}}) as port:
        assert source(port).probe() == "1 value of 1 unit, such as power_w 212 of R-1"


def test_silence_is_told_by_us_alone(caplog: pytest.LogCaptureFixture) -> None:
    with pytest.raises(Trouble, match="Nothing answers at"):
        source(free_port()).probe()
    assert caplog.records == []


def test_it_goes_on_when_the_device_comes_back() -> None:
    port, kept, stop = free_port(), Kept(rounds=2), Event()
    running = Thread(target=source(port).run, args=(kept, stop), daemon=True)
    with modbus_server({1: {10: [100]}}, port):
        running.start()
        assert _until(lambda: len(kept.given) >= 1)
    assert _until(lambda: len(kept.troubles) >= 1)
    with modbus_server({1: {10: [250]}}, port):
        assert _until(lambda: any(s.value == 250 for given in kept.given for s in given))
    stop.set()
    running.join(5)
    assert not running.is_alive()


def _until(what: Any, seconds: float = 10) -> bool:
    waiting = Event()
    for _ in range(int(seconds / 0.05)):
        if what():
            return True
        waiting.wait(0.05)
    return False


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"register": [{"kind": "watts", "address": 1, "type": "uint16"}]}, "must be one of power_w"),
        ({"register": [{"kind": "energy_wh", "address": 1, "type": "uint16"}]}, "must be one of power_w"),
        ({"register": [{"kind": "power_w", "address": 65_535, "type": "uint32"}]}, "past the last register"),
        (
            {"register": [{"kind": "power_w", "address": a, "type": "uint16"} for a in (1, 2)]},
            "leave one out",
        ),
        ({"unit": [{"serial": "R-1"}, {"serial": "R-1", "device": 2}]}, "two units with one serial"),
        ({"unit": [{"serial": "R-1"}, {"serial": "R-2"}]}, "one device and offset"),
    ],
)
def test_settings_that_cannot_be_right(settings: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        source(502, **settings)
