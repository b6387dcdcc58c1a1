"""The clock of a record: what is refused of it, and how a correction is laid over what was corrected before."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.clock import Clock, clock_of
from service.intake.problems import Refused
from service.intake.record import as_stored, read_record
from tests.intake.roof import record

HOUR = 3600
NOON = "2026-05-04T12:00:00Z"


def _clock(*entries: dict[str, Any]) -> list[dict[str, Any]]:
    kept: list[dict[str, Any]] = as_stored(read_record({**record(), "clock": list(entries)}))["clock"]
    return kept


def test_a_record_without_a_clock_has_a_right_one() -> None:
    assert as_stored(read_record(record()))["clock"] == []


def test_times_are_kept_in_utc_and_read_again() -> None:
    sent = [{"from": None, "minutes": 60}, {"from": "2026-05-04T13:00:00+01:00", "minutes": -7.0}]
    kept = _clock(*sent)
    assert kept == [{"from": None, "minutes": 60}, {"from": NOON, "minutes": -7}]
    assert _clock(*kept) == kept
    assert _clock({"minutes": 60}) == kept[:1]


@pytest.mark.parametrize(
    ("clock", "field", "message"),
    [
        ({}, "clock", "must be a list"),
        ([{"from": None}], "clock[0].minutes", "is required"),
        ([{"minutes": 1441}], "clock[0].minutes", "at most 1440"),
        ([{"minutes": -1441}], "clock[0].minutes", "at least -1440"),
        ([{"minutes": 1.5}], "clock[0].minutes", "whole number"),
        ([{"minutes": "60"}], "clock[0].minutes", "without quotation marks"),
        ([{"minutes": 5, "until": NOON}], "clock[0].until", "known: from, minutes"),
        ([{"from": "2026-05-04T12:00", "minutes": 5}], "clock[0].from", "has no offset"),
        ([{"from": 12, "minutes": 5}], "clock[0].from", "must be an ISO 8601 time"),
        ([{"from": "1999-05-04T12:00Z", "minutes": 5}], "clock[0].from", "between the years 2000 and 2100"),
        ([{"minutes": 5}, {"minutes": 6}], "clock[1].from", "only the first entry"),
        ([{"from": NOON, "minutes": 5}, {"minutes": 6}], "clock[1].from", "only the first entry"),
        (
            [{"from": NOON, "minutes": 5}, {"from": "2026-05-04T13:00+01:00", "minutes": 6}],
            "clock[1].from",
            "is also that of clock[0]",
        ),
        (
            [{"from": NOON, "minutes": 5}, {"from": "2026-05-04T11:00Z", "minutes": 6}],
            "clock[1].from",
            "is earlier than that of clock[0]",
        ),
        ([{"minutes": 5}] * 101, "clock", "at most 100 entries"),
    ],
)
def test_a_wrong_clock_is_refused_by_field(clock: Any, field: str, message: str) -> None:
    with pytest.raises(Refused) as refused:
        read_record({**record(), "clock": clock})
    assert message in {e.field: e.message for e in refused.value.errors}[field]


def test_lateness_holds_from_its_label_on() -> None:
    clock = clock_of([{"from": NOON, "minutes": 60}])
    noon = clock.changes[1][0]
    assert [clock.minutes_at(label) for label in (0, noon - 1, noon, noon + HOUR)] == [0, 0, 60, 60]
    assert clock_of(clock.as_record()) == clock
    assert clock_of(None) == clock_of([]) == Clock()
    assert Clock().as_record() == []


def test_a_further_correction_is_found_on_labels_that_were_put_right_before() -> None:
    late = clock_of([{"from": None, "minutes": 60}])
    # What was labelled 13:00 counts as noon since the first correction, and five minutes more from there on.
    further = clock_of([{"from": NOON, "minutes": 5}])
    assert late.followed_by(further).as_record() == [
        {"from": None, "minutes": 60},
        {"from": "2026-05-04T13:00:00+00:00", "minutes": 65},
    ]
    assert late.followed_by(clock_of([{"from": None, "minutes": -60}])).as_record() == []


clocks = st.lists(st.tuples(st.integers(0, 400), st.integers(-90, 90)), max_size=4).map(
    lambda changes: Clock(((float("-inf"), 0), *((60.0 * s, m) for s, m in sorted(dict(changes).items()))))
)


@given(clocks, clocks, st.integers(-600, 1000))
def test_two_corrections_as_one_move_every_label_as_the_two_in_turn(
    first: Clock, further: Clock, minute: int
) -> None:
    once = minute - first.minutes_at(60 * minute)
    twice = once - further.minutes_at(60 * once)
    assert minute - first.followed_by(further).minutes_at(60 * minute) == twice
