"""A judgement that remembers."""

from __future__ import annotations

from tests.jobs.remembered import _what_was_judged_is_remembered

__all__ = ["_what_was_judged_is_remembered"]
