"""Faults laid over measured series of real roofs, and how the judgement fares: no part of the test suite.

`site(trial, window)` gives any trial's site, with the truth about it, to be looked at by itself.
"""

from tests.bench.roofs.build import site

__all__ = ["site"]
