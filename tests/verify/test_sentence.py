"""Sentences: English text and parts; copies and kept forms lose nothing."""

from __future__ import annotations

import copy
import pickle
from dataclasses import replace

import pytest

from service.jobs.codec import from_json, to_json
from service.verify.result import Unseen
from service.verify.sentence import ENGLISH, Quantity, Sentence, counted_sentence, joined, sentence, term
from tests.report import sample

ZONE = "Europe/London"


def example() -> Sentence:
    return joined(
        sentence("%(name)s lost %(lost)s since %(at)s, 1 %% of it", name="A1", lost=Quantity("energy", 2400.0),
                 at=Quantity("moment", "2026-07-01T11:40:00+00:00", ZONE)),
        " & 5 %",
        counted_sentence(", on %(num)s day.", ", on %(num)s days.", 3),
    )  # fmt: skip


def test_it_is_its_english_text() -> None:
    text = example()
    assert text == "A1 lost 2.4 kWh since 2026-07-01 12:40, 1 % of it & 5 %, on 3 days."
    assert type(str(text)) is str


def test_copies_keep_the_parts() -> None:
    text = example()
    for other in (copy.copy(text), copy.deepcopy(text), pickle.loads(pickle.dumps(text))):  # noqa: S301
        assert other == text
        assert other.parts == text.parts


@pytest.mark.parametrize(
    ("quantity", "english"),
    [
        (Quantity("energy", 999.4), "999 Wh"),
        (Quantity("energy", 1240.0), "1.2 kWh"),
        (Quantity("share", 0.034), "3.4 %"),
        (Quantity("share", 0.34), "34 %"),
        (Quantity("duration", 89.0), "89 min"),
        (Quantity("duration", 210.0), "3.5 h"),
        (Quantity("number", 0.666, ".2f"), "0.67"),
        (Quantity("number", 0.001, "g"), "0.001"),
        (Quantity("month", 3.0), "March"),
        (Quantity("lateness", -60.0), "60 min early"),
        (Quantity("azimuths", (150.0, 170.0, 200.0, 220.4)), "150 to 170 and 200 to 220"),
        (Quantity("more_time", 25.0), "about 25 more minutes"),
        (Quantity("more_time", 60.0), "about 1 more hour"),
        (Quantity("more_time", 91.0), "about 1.6 more hours"),
        (Quantity("more_days", 1.0), "1 more day with sun"),
        (term("kWh sent as Wh"), "kWh sent as Wh"),
    ],
)
def test_values_in_english(quantity: Quantity, english: str) -> None:
    assert str(quantity) == english
    assert quantity.kind in ENGLISH


def test_what_is_kept_comes_back_with_its_parts() -> None:
    found = sample.verification()
    finding = replace(found.findings[0], evidence=example(), details={"season": example(), "factor": 2.0})
    found = replace(
        found,
        findings=(finding, *found.findings[1:]),
        not_yet=(Unseen("shaded", sentence("Needs %(days)s.", days=Quantity("more_days", 2.0))),),
    )
    again = from_json(to_json(found))
    assert again == found
    for kept, made in (
        (again.findings[0].evidence, example()),
        (again.findings[0].details["season"], example()),
        (again.not_yet[0].missing, found.not_yet[0].missing),
    ):
        assert isinstance(kept, Sentence)
        assert kept.parts == made.parts  # type: ignore[attr-defined]


def test_the_contract_has_plain_text() -> None:
    found = sample.verification()
    finding = replace(found.findings[0], evidence=example(), advice=example(), details={"season": example()})
    told = replace(found, findings=(finding,)).as_contract("x")["findings"][0]
    assert [type(told[name]) for name in ("evidence", "advice", "season")] == [str, str, str]
