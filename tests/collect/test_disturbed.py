"""What is lost, doubled, late or killed between device and service changes nothing of what the service ends up with."""

from __future__ import annotations

from tests.collect.disturbed import World, run_disturbed

EXAMPLES = 4


def test_nothing_is_lost_and_nothing_counted_twice(world: World) -> None:
    """A few runs; `tests/bench/test_collect.py` makes thousands."""
    run_disturbed(world, EXAMPLES)
