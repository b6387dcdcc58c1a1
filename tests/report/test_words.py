"""The words: every cause of the contract has them, and quantities are rounded as people read them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import get_args
from zoneinfo import ZoneInfo

import pytest

from service.report import words

CONTRACT_CAUSES = {
    "not_reporting", "not_on_record", "no_output", "intermittent", "substring_out", "low_output", "shaded",
    "wrong_plane", "swapped", "branch_out", "voltage_trip", "clock_shift", "plane_misdescribed", "curtailed",
    "site_low", "unit_scale", "data_gap", "clipping",
}  # fmt: skip
NB = words.NBSP
LONDON = ZoneInfo("Europe/London")


def test_every_cause_of_the_contract_has_words() -> None:
    assert set(words.CAUSES) == CONTRACT_CAUSES


@pytest.mark.parametrize("cause", sorted(CONTRACT_CAUSES))
def test_words_of_a_cause_are_plain(cause: str) -> None:
    said = words.CAUSES[cause]
    assert said.mark in get_args(words.Mark)
    assert said.place in get_args(words.Place)
    assert said.care in get_args(words.Care)
    assert said.place != "roof" or said.care in ("roof", "both")
    assert said.place != "board" or said.care in ("mains", "both")
    assert 0 < len(said.short) <= 12  # fits a cell of the plan
    owner = said.owner.format(panels="3 panels")
    assert owner.endswith(".")
    jargon = ("inverter", "substring", "ratio", "index", "branch circuit", "curtail", "unit ")
    assert not [word for word in jargon if word in owner.lower()]
    assert words.site_sentence(cause)[0].isupper()
    assert words.place_sentence(cause)


def test_no_two_causes_read_the_same() -> None:
    assert len({said.one for said in words.CAUSES.values()}) == len(words.CAUSES)


@pytest.mark.parametrize(
    ("wh", "text"),
    [
        (None, words.EN_DASH),
        (0.0, f"0{NB}Wh"),
        (-0.2, f"0{NB}Wh"),
        (-12.0, f"{words.MINUS}12{NB}Wh"),
        (640.4, f"640{NB}Wh"),
        (999.4, f"999{NB}Wh"),
        (999.6, f"1.00{NB}kWh"),
        (1240.0, f"1.24{NB}kWh"),
        (9_996.0, f"10.0{NB}kWh"),
        (99_960.0, f"100{NB}kWh"),
        (142_300.0, f"142{NB}kWh"),
        (1_234_567.0, f"1,235{NB}kWh"),
        (12_345_678.0, f"12.3{NB}MWh"),
    ],
)
def test_energy(wh: float | None, text: str) -> None:
    assert words.energy(wh) == text


def test_two_energies_share_the_unit_of_the_larger() -> None:
    assert words.energy_of(116, 1673) == f"0.12 of 1.67{NB}kWh"


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (1.0, f"100{NB}%"),
        (0.9999, f"99{NB}%"),
        (0.0, f"0{NB}%"),
        (0.001, f"under{NB}1{NB}%"),
        (0.414, f"41{NB}%"),
    ],
)
def test_percent_says_all_or_nothing_only_where_it_is(share: float, text: str) -> None:
    assert words.percent(share) == text


@pytest.mark.parametrize(
    ("share", "word"), [(1.0, "almost certain"), (0.9, "very likely"), (0.7, "likely"), (0.3, "possible")]
)
def test_confidence_is_a_word_and_a_number(share: float, word: str) -> None:
    assert words.confidence(share) == f"{word} ({words.percent(share)})"


def test_position() -> None:
    assert words.position("south roof", 2, 5) == f"south roof, row{NB}2, column{NB}5"
    assert words.position("south roof", 0, None) == f"south roof, row{NB}0"
    assert words.position("south roof", None, None) == "south roof, place not on the record"


def test_lists_and_counts() -> None:
    assert words.listed([]) == ""
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.counted(1, "unit") == f"1{NB}unit"
    assert words.counted(24, "unit") == f"24{NB}units"
    assert words.cause_count("no_output", 1) == f"1{NB}makes nothing"
    assert words.cause_count("no_output", 2) == f"2{NB}make nothing"


def test_moments_are_on_the_sites_clock() -> None:
    moment = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    assert words.moment(moment, LONDON).replace(NB, " ") == "Thu 2 Jul 2026, 00:30"
    assert words.moment(None, LONDON) == words.EN_DASH


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        (date(2026, 5, 4), date(2026, 5, 4), "Mon 4 May 2026"),
        (date(2026, 5, 4), date(2026, 5, 10), "4 to 10 May 2026"),
        (date(2026, 4, 28), date(2026, 5, 4), "28 Apr to 4 May 2026"),
        (date(2026, 12, 28), date(2027, 1, 3), "28 Dec 2026 to 3 Jan 2027"),
    ],
)
def test_stretches_of_days(first: date, last: date, text: str) -> None:
    assert words.days(first, last).replace(NB, " ") == text


def test_a_window_ends_before_its_end() -> None:
    start, end = datetime(2026, 5, 3, 23, tzinfo=UTC), datetime(2026, 5, 10, 23, tzinfo=UTC)
    assert words.span(start, end, LONDON).replace(NB, " ") == "4 to 10 May 2026"


@pytest.mark.parametrize(
    ("name", "watts", "said"),
    [
        ("module", 400, "module 400 W"),
        ("400 W module", 400, "400 W module"),
        ("module 400W", 400, "module 400W"),
        ("roof 1400 W", 400, "roof 1400 W 400 W"),
        ("400 Wp module", 400, "400 Wp module"),
        ("inverter of 1.5 kW", 1500, "inverter of 1.5 kW"),
        ("inverter of 1500 W", 1500, "inverter of 1500 W"),
        ("inverter", 1500, "inverter 1.5 kW"),
        ("type 350", 350, "type 350 350 W"),
    ],
)
def test_a_rating_is_said_once(name: str, watts: float, said: str) -> None:
    assert words.rated(name, watts).replace(NB, " ") == said
