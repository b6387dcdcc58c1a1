"""Nothing that was acknowledged is lost, and nothing counts twice, whenever broker and service are killed.

A few runs; `tests/bench/test_killed_often.py` has many.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test
from sqlalchemy import Engine

from tests.broker import Mosquitto
from tests.intake.live.killed import MOMENTS, machine


def test_service_dies_before_and_after_every_step(engine: Engine, mosquitto: Mosquitto) -> None:
    run = machine(engine, mosquitto)()
    run.begin()
    try:
        for moment in MOMENTS:
            run.die(moment=moment)
    finally:
        run.teardown()


def test_kill_restart_resend_reorder(engine: Engine, mosquitto: Mosquitto) -> None:
    few = settings(
        max_examples=2, stateful_step_count=15, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    run_state_machine_as_test(machine(engine, mosquitto), settings=few)
