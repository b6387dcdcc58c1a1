"""A broker for all tests here."""

from __future__ import annotations

from tests.broker import mosquitto, sender

__all__ = ["mosquitto", "sender"]
