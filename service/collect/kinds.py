"""The kinds of sources. A new kind is one file with its settings as a `SourcePart`, and one line here."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.collect.config import SourcePart

KINDS = {
    "folder": "service.collect.folder:Folder",
    "http": "service.collect.http:HttpSource",
    "modbus": "service.collect.registers:Registers",
    "mqtt": "service.collect.mqtt:MqttSource",
    "sunspec": "service.collect.sunspec:SunSpec",
}
"""Loaded when a configuration names them, so that nobody needs the libraries of the others."""


def model_of(kind: str) -> type[SourcePart]:
    """Return the settings of a kind."""
    module, _, name = KINDS[kind].partition(":")
    found: type[SourcePart] = getattr(import_module(module), name)
    return found
