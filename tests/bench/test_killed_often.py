"""Broker and service killed in many runs, each at other moments; YIELDPROOF_TEST_RUNS sets in how many."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test
from sqlalchemy import Engine

from tests.broker import Mosquitto, make_broker
from tests.intake.live.killed import machine

RUNS = int(os.environ.get("YIELDPROOF_TEST_RUNS", "50"))


def test_kill_restart_resend_reorder_many_times(engine: Engine, tmp_path_factory) -> None:
    broker: Mosquitto = make_broker(tmp_path_factory.mktemp("broker"))
    many = settings(
        max_examples=RUNS, stateful_step_count=30, deadline=None, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    try:
        run_state_machine_as_test(machine(engine, broker), settings=many)
    finally:
        broker.kill()
