"""The loop of every source that is asked again and again."""

from __future__ import annotations

import logging
import random
from collections.abc import Callable
from threading import Event

from service.collect.source import Sink
from service.collect.trouble import Trouble

SLOWEST_S = 900.0
"""A source that does not answer is asked less and less often, at last so often."""

log = logging.getLogger(__name__)


def poll(name: str, sink: Sink, stop: Event, every_s: float, ask: Callable[[], None]) -> None:
    """Call `ask` once, and then again and again until told to stop; Trouble of it is noted, and it goes on."""
    failures = 0
    while True:
        failures = 0 if _went_well(name, sink, ask) else failures + 1
        slower = min(every_s * 2 ** min(failures, 10), max(SLOWEST_S, every_s)) if failures > 2 else every_s
        if stop.wait(slower * random.uniform(0.95, 1.0)):  # noqa: S311 - spreads load, hides nothing
            return


def _went_well(name: str, sink: Sink, ask: Callable[[], None]) -> bool:
    try:
        ask()
        sink.heard(name)
    except Trouble as trouble:
        note(name, sink, trouble)
        return False
    except Exception:
        log.exception("%s", name)
        note(
            name,
            sink,
            Trouble("It could not be read for a reason that is not foreseen; the log has the details."),
        )
        return False
    return True


def note(name: str, sink: Sink, trouble: Trouble) -> None:
    """Note a trouble, if only in the log where the disk takes nothing."""
    try:
        sink.trouble(name, str(trouble))
    except Trouble as further:
        log.warning("%s: %s %s", name, trouble, further)
