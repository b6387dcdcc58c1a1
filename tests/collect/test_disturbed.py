"""What is lost, doubled, late or killed between device and service changes nothing of what the service ends up with."""

from __future__ import annotations

import os
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.browser.house import new_database
from tests.collect.disturbed import Disturbed, world_on

EXAMPLES = int(os.environ.get("YIELDPROOF_TEST_EXAMPLES", "4"))


def test_nothing_is_lost_and_nothing_counted_twice(tmp_path: Path) -> None:
    engine = new_database(tmp_path)
    with world_on(engine) as world:
        machine = type("Disturbed", (Disturbed,), {"world": world})
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=EXAMPLES,
                stateful_step_count=20,
                deadline=None,
                database=None,
                suppress_health_check=list(HealthCheck),
            ),
        )
    engine.dispose()
