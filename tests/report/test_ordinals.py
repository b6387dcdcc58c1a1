"""Ordinal numbers within a sentence."""

from __future__ import annotations

import pytest

from service.report.language import speaking
from service.report.ordinals import ordinal


@pytest.mark.parametrize(
    ("number", "said"),
    [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (13, "13th"), (21, "21st")],
)
def test_english(number: int, said: str) -> None:
    with speaking("en"):
        assert ordinal(number) == said
