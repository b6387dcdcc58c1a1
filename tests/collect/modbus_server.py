"""A real Modbus TCP server with devices that a test describes by their registers."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from threading import Thread
from typing import Any

from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.ports import free_port

Image = Mapping[int, list[int]]
"""Blocks of registers by their first address."""


def words(value: float, kind: str, order: str = "big") -> list[int]:
    """Return a value as registers."""
    return ModbusTcpClient.convert_to_registers(value, ModbusTcpClient.DATATYPE[kind.upper()], order)


@contextmanager
def modbus_server(
    devices: Mapping[int, Image],
    port: int | None = None,
    *,
    input_registers: bool = False,
    told_by: Mapping[int, Callable[[], list[int]]] | None = None,
) -> Iterator[int]:
    """Serve the devices until the block ends, and give the port; their registers may be input registers.

    What a device's registers hold when they are asked for may come of a function.
    """
    port = port or free_port()
    loop = asyncio.new_event_loop()
    simulated = [
        SimDevice(number, _blocks(image, input_registers), action=_action((told_by or {}).get(number)))
        for number, image in devices.items()
    ]

    async def serve() -> None:
        server = ModbusTcpServer(simulated, address=("127.0.0.1", port))
        serving = asyncio.ensure_future(server.serve_forever())
        await stopped.wait()
        await server.shutdown()
        await asyncio.gather(serving, return_exceptions=True)

    stopped = asyncio.Event()
    thread = Thread(target=loop.run_until_complete, args=(serve(),), daemon=True)
    thread.start()
    try:
        _wait(port)
        yield port
    finally:
        loop.call_soon_threadsafe(stopped.set)
        thread.join(10)
        loop.close()


def _action(told_by: Callable[[], list[int]] | None) -> Any:
    async def action(
        _code: int, _start: int, _address: int, _count: int, registers: list[int], _set: Any
    ) -> None:
        if told_by is not None:
            registers[:] = told_by()

    return action


def _blocks(image: Image, input_registers: bool) -> Any:
    """Return the blocks, which are holding registers otherwise; of coils and discrete inputs there is one each."""
    found = [SimData(a, values=registers, datatype=DataType.REGISTERS) for a, registers in image.items()]
    other, bit = (
        [SimData(0, values=[0], datatype=DataType.REGISTERS)],
        [SimData(0, values=False, datatype=DataType.BITS)],
    )
    return ([*bit], [*bit], other, found) if input_registers else ([*bit], [*bit], found, other)


def _wait(port: int) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with socket.socket() as tried:
            if tried.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.01)
    raise TimeoutError("the server did not begin to listen")
