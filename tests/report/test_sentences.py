"""Sentences of a verification in the reader's language."""

from __future__ import annotations

from typing import get_args

import pytest

from service.report.language import speaking
from service.report.sentences import FORMS, quantity, say
from service.report.words import NBSP
from service.verify.sentence import ENGLISH, Kind, Quantity, sentence


def test_every_kind_can_be_said() -> None:
    assert set(FORMS) == set(ENGLISH) == set(get_args(Kind))


@pytest.mark.parametrize(
    ("value", "english", "german"),
    [
        (Quantity("energy", 1240.0), "1.2 kWh", "1,2 kWh"),
        (Quantity("share", 0.034), "3.4 %", "3,4 %"),
        (Quantity("duration", 210.0), "3.5 h", "3,5 h"),
        (Quantity("number", 1234.0, ".0f"), "1,234", "1.234"),
        (Quantity("number", 0.001, "g"), "0.001", "0,001"),
        (Quantity("month", 3.0), "March", "M\u00e4rz"),
        ("A-1", "A-1", "A-1"),
    ],
)
def test_values_in_two_languages(value: Quantity | str, english: str, german: str) -> None:
    assert quantity(value).replace(NBSP, " ") == english
    with speaking("de"):
        assert quantity(value).replace(NBSP, " ") == german


def test_plain_text_is_said_as_it_is() -> None:
    assert say("100 % kept %(so)s") == "100 % kept %(so)s"
    assert say(sentence("1 %% of %(name)s", name="50 %")) == "1 % of 50 %"
