"""Corrections: what they make of a record, and that one that does not fit is refused and changes nothing."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.intake.correction import KINDS, as_sent, changes, corrected, read_correction, read_request
from service.intake.problems import Refused
from service.intake.record import as_stored, read_record
from tests.intake.corrections import (
    EACH_KIND,
    LATE,
    MOVED,
    RENAMED,
    STRANGER,
    SWAPPED,
    TURNED,
    two_roofs,
)
from tests.intake.roof import SERIALS


def _applied(data: Any, before: dict[str, Any] | None = None) -> dict[str, Any]:
    return corrected(before or two_roofs(), read_correction(data))


def _refusal(data: Any, before: dict[str, Any] | None = None) -> dict[str, str]:
    held = before or two_roofs()
    kept = copy.deepcopy(held)
    with pytest.raises(Refused) as refused:
        corrected(held, read_correction(data))
    assert held == kept
    return {e.field: e.message for e in refused.value.errors}


def _only(before: dict[str, Any], after: dict[str, Any], group: str) -> list[int]:
    """Return which entries of the group differ, and assert that nothing else does."""
    assert {**before, group: None} == {**after, group: None}
    return [i for i, (a, b) in enumerate(zip(before[group], after[group], strict=True)) if a != b]


def test_every_kind_is_tried_here_and_comes_back_as_it_was_sent() -> None:
    assert [c["kind"] for c in EACH_KIND] == list(KINDS)
    for sent in EACH_KIND:
        assert as_sent(read_request({"correction": sent})) == sent


@pytest.mark.parametrize("sent", EACH_KIND)
def test_a_corrected_record_is_a_valid_one_as_it_is_stored(sent: dict[str, Any]) -> None:
    after = _applied(sent)
    assert as_stored(read_record(after)) == after


def test_a_plane_is_turned_and_keeps_the_rest() -> None:
    before = two_roofs()
    after = _applied(TURNED)
    assert _only(before, after, "planes") == [0]
    assert after["planes"][0] == {**before["planes"][0], "azimuth_deg": 196.4, "tilt_deg": 32.5}


def test_a_moved_unit_has_no_row_and_column_on_its_new_plane() -> None:
    before = two_roofs()
    after = _applied(MOVED)
    assert _only(before, after, "units") == [1]
    place = {"plane": "east roof", "row": None, "column": None}
    assert after["units"][1] == {**before["units"][1], **place}


def test_swapped_units_exchange_their_places_and_keep_serials_types_and_dates() -> None:
    before = two_roofs()
    after = _applied(SWAPPED)
    assert _only(before, after, "units") == [0, 2]
    first, second = before["units"][0], before["units"][2]
    of_place = ("plane", "row", "column", "branch")
    assert after["units"][0] == {**first, **{name: second[name] for name in of_place}}
    assert after["units"][2] == {**second, **{name: first[name] for name in of_place}}
    assert after["units"][2]["from"] == "2026-05-05"
    assert _applied(SWAPPED, after) == before


def test_a_mistyped_serial_gives_way_to_the_one_that_is_heard() -> None:
    before = two_roofs()
    after = _applied(RENAMED)
    assert _only(before, after, "units") == [1]
    assert after["units"][1] == {**before["units"][1], "serial": STRANGER}


def test_a_clock_is_corrected_on_top_of_what_was_corrected_before() -> None:
    first = _applied(LATE)
    assert first == {**two_roofs(), "clock": [{"from": None, "minutes": 60}]}
    further = {"kind": "clock", "changes": [{"from": "2026-05-04T12:00:00Z", "minutes": -7}]}
    assert _applied(further, first)["clock"] == [
        {"from": None, "minutes": 60},
        {"from": "2026-05-04T13:00:00Z", "minutes": 53},
    ]


def test_a_record_from_before_there_was_a_clock_is_corrected() -> None:
    before = two_roofs()
    del before["clock"]
    assert _applied(LATE, before)["clock"] == [{"from": None, "minutes": 60}]
    assert _refusal({"kind": "clock", "changes": [{"minutes": 0}]}, before) == {
        "correction": "is what the record says already; there is nothing to change"
    }


GONE = "is not on the record as it is now; look at the findings anew"


@pytest.mark.parametrize(
    ("sent", "field", "message"),
    [
        ({**TURNED, "plane": "garage"}, "correction.plane", GONE),
        ({**TURNED, "azimuth_deg": 170, "tilt_deg": 35}, "correction", "is what the record says already"),
        ({**MOVED, "serial": STRANGER}, "correction.serial", GONE),
        ({**MOVED, "plane": "garage"}, "correction.plane", GONE),
        ({**MOVED, "plane": "south roof"}, "correction.plane", "is the unit's plane already"),
        ({**SWAPPED, "serials": [SERIALS[0], STRANGER]}, "correction.serials[1]", GONE),
        ({**SWAPPED, "serials": [SERIALS[0]] * 2}, "correction.serials", "names one unit twice"),
        ({**RENAMED, "recorded": STRANGER}, "correction.recorded", GONE),
        ({**RENAMED, "heard": SERIALS[0]}, "correction.heard", "is on the record already"),
        ({"kind": "clock", "changes": [{"minutes": 0}]}, "correction", "is what the record says already"),
    ],
)
def test_what_does_not_fit_the_record_is_refused(sent: dict[str, Any], field: str, message: str) -> None:
    assert message in _refusal(sent)[field]


def test_a_sum_of_clock_errors_keeps_to_the_records_bounds() -> None:
    far = {"kind": "clock", "changes": [{"minutes": 1440}]}
    assert "at most 1440" in _refusal(LATE, _applied(far))["clock[0].minutes"]


def test_a_swap_that_would_put_two_units_on_one_place_is_refused() -> None:
    data = two_roofs()
    # The second unit came when the first had gone: they share a position, but not at one time.
    data["units"][0] |= {"until": "2026-06-01"}
    data["units"][1] |= {"column": 1, "from": "2026-06-01"}
    before = as_stored(read_record(data))
    assert "is also the position of units[" in next(iter(_refusal(SWAPPED, before).values()))


@pytest.mark.parametrize(
    ("sent", "field", "message"),
    [
        (None, "correction", "must be an object"),
        ({}, "correction.kind", "must be one of plane, move, swap, serial, clock"),
        ({"kind": ["plane"]}, "correction.kind", "must be one of"),
        ({"kind": "tilt"}, "correction.kind", "must be one of"),
        ({"kind": "move", "serial": "1"}, "correction.plane", "is required"),
        ({**TURNED, "azimuth_deg": 361}, "correction.azimuth_deg", "at most 360"),
        ({**TURNED, "azimuth_deg": float("nan")}, "correction.azimuth_deg", "finite number"),
        ({**TURNED, "tilt": 3}, "correction.tilt", "did you mean tilt_deg"),
        ({**SWAPPED, "serials": [SERIALS[0]]}, "correction.serials", "at least 2"),
        ({"kind": "clock", "changes": []}, "correction.changes", "at least 1"),
        (
            {"kind": "clock", "changes": [{"minute": 3}]},
            "correction.changes[0].minute",
            "did you mean minutes",
        ),
        (
            {"kind": "clock", "changes": [{"minutes": 1}, {"minutes": 2}]},
            "correction.changes[1].from",
            "only the first entry",
        ),
    ],
)
def test_what_is_no_correction_is_refused_by_field(sent: Any, field: str, message: str) -> None:
    assert message in _refusal(sent)[field]


@pytest.mark.parametrize(
    ("body", "field"), [([], ""), ({}, "correction"), ({"correction": LATE, "by": "me"}, "by")]
)
def test_what_is_no_request_is_refused(body: Any, field: str) -> None:
    with pytest.raises(Refused) as refused:
        read_request(body)
    assert [e.field for e in refused.value.errors] == [field]


def test_changes_are_told_by_what_belongs_together() -> None:
    before = two_roofs()
    told = [[(c.part, c.of, c.old, c.new) for c in changes(before, _applied(sent))] for sent in EACH_KIND]
    south = {"plane": "south roof", "row": 1, "column": 2, "branch": "A"}
    moved = {"plane": "east roof", "row": None, "column": None, "branch": "A"}
    assert told[0] == [
        (
            "plane",
            "south roof",
            {"tilt_deg": 35, "azimuth_deg": 170},
            {"tilt_deg": 32.5, "azimuth_deg": 196.4},
        )
    ]
    assert told[1] == [("unit", SERIALS[1], south, moved)]
    assert [(part, of) for part, of, _, _ in told[2]] == [("unit", SERIALS[0]), ("unit", SERIALS[2])]
    assert told[3] == [("unit", SERIALS[1], {"serial": SERIALS[1]}, {"serial": STRANGER})]
    assert told[4] == [("clock", "", {"clock": []}, {"clock": [{"from": None, "minutes": 60}]})]
