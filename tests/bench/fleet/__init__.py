"""The fleet's benchmark: every cause, every window, from per-module energy alone; no part of the test suite.

`site(seed, window)` gives any of its sites, with the truth about it, to be looked at by itself.
"""

from tests.bench.fleet.build import site

__all__ = ["site"]
