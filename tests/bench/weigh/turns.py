"""What sites show of their only plane: the signs of `service/verify/turn_odds.py`."""

from __future__ import annotations

from collections.abc import Iterator

from service.verify import alignment
from service.verify.run import build_case
from tests.bench.fleet.plan import Window
from tests.bench.roofs.__main__ import WINDOWS
from tests.bench.weigh.sites import Key, Row, known, sites

TRIALS: dict[Window, int] = {"1d": 1200, "7d": 250}


def keys() -> Iterator[Key]:
    """Return all sites."""
    for window in WINDOWS:
        yield from sites(window, TRIALS[window])


def rows(key: Key) -> list[Row]:
    """Return what one site shows, if anything."""
    return [one] if (one := row(key)) else []


def row(key: Key) -> Row | None:
    """Return what one site shows, None where nothing and where its own fault does not count."""
    origin, site, readings, cause, counts = known(key)
    if not counts:
        return None
    case = build_case(site, readings)
    signs, plane = alignment.signs(site, readings, scale=case.scale), case.alignment.plane
    if signs is None:
        return None
    said = plane is not None and plane.log_odds is None
    return Row(origin, dict(signs.measures), cause == "plane_misdescribed", said)
