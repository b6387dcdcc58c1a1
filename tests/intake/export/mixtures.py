"""Makes with every property drawn by itself."""

from __future__ import annotations

from tests.intake.export.corpus import Make, any_make


def mixture(seed: int) -> Make:
    """Return a make by its seed."""
    return any_make(seed)
