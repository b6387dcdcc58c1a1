"""A second fleet of invented sites, with physics of its own: what the judgement makes of a world it was not built on.

Nothing is shared with `service/expect` nor with `tests/fleet`: another sun position, clear sky, transposition, cell
temperature, module, inverter and shade. `site(seed, window)` makes one site again.
"""

from tests.bench.stranger.case import site

__all__ = ["site"]
