"""What light, the record and the calendar decide without a question, and where they leave it open."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from service.intake.export.model import Known, Proposal
from service.intake.export.propose import propose
from service.intake.export.reshape import unfolded
from service.intake.export.tables import tables_of
from tests.intake.export import written
from tests.intake.export.corpus import RECORD, Make

KNOWN = Known.of_record(RECORD)
DAY = Make("day", days=1)
DMY = replace(DAY, time="%d/%m/%Y %H:%M")
_ROW = re.compile(r"^(.* (\d\d):(\d\d)(?::\d\d)?),(.*)$")


def _proposed(make: Make, folder: Path, known: Known = KNOWN, **cells: str) -> Proposal:
    """Return how a make would be read; `cells` are put in the place of all values of a row at h_HHMM."""
    path, _ = written.write(make, folder)
    lines = path.read_text().splitlines()
    for i, line in enumerate(lines):
        found = _ROW.match(line)
        other = cells.get(f"h_{found[2]}{found[3]}") if found else None
        if found and other is not None:
            lines[i] = ",".join([found[1], *[other] * len(found[4].split(","))])
    path.write_text("\n".join(lines))
    (table,) = tables_of(path)
    return propose(table, known, {})


def _asked(proposal: Proposal) -> set[str]:
    return {question.key for question in proposal.questions}


def _dark(*hours: int) -> dict[str, str]:
    return {f"h_{hour:02}{minute:02}": "0" for hour in hours for minute in (0, 15, 30, 45)}


@pytest.mark.parametrize("zone", ["UTC", "+01:00"])
def test_zone_in_which_alone_no_output_lies_in_the_night_is_taken_with_a_word(
    zone: str, tmp_path: Path
) -> None:
    proposal = _proposed(replace(DAY, zone=zone), tmp_path)
    assert _asked(proposal) == set()
    assert proposal.guesses["timezone"].value == zone
    assert any(f"taken as those of {zone}" in warning for warning in proposal.warnings)


def test_zone_is_asked_where_a_dark_evening_leaves_room_for_another(tmp_path: Path) -> None:
    proposal = _proposed(replace(DAY, zone="UTC"), tmp_path, **_dark(17, 18, 19, 20))
    assert "timezone" in _asked(proposal)


def test_hour_that_comes_twice_tells_the_zone_though_nothing_shines(tmp_path: Path) -> None:
    make = replace(DAY, first=date(2026, 10, 25), hours=(0, 6), interval=5, heading="{serial} Wh")
    assert "timezone" not in _asked(_proposed(make, tmp_path))


def test_date_under_which_the_light_outlasts_the_day_is_none(tmp_path: Path) -> None:
    assert _proposed(replace(DMY, first=date(2026, 6, 3)), tmp_path).guesses["day_first"].value == "true"


def test_date_is_asked_where_the_light_fits_either_day(tmp_path: Path) -> None:
    march = replace(DMY, first=date(2026, 3, 6))
    assert "day_first" in _asked(_proposed(march, tmp_path))
    odd = {"h_0300": "40", "h_0315": "40"}
    assert "day_first" in _asked(_proposed(march, tmp_path, **odd)), "something odd in the night is no dawn"


def test_date_that_is_yet_to_come_is_none(tmp_path: Path) -> None:
    now = datetime(2026, 4, 1, tzinfo=UTC).timestamp()
    march = replace(DMY, first=date(2026, 3, 6))
    assert _proposed(march, tmp_path, replace(KNOWN, now=now)).guesses["day_first"].value == "true"


def test_values_up_to_the_rating_are_taken_as_watts_and_steady_ones_are_asked(tmp_path: Path) -> None:
    bare = replace(DAY, quantity="power_w", heading="{serial}")
    proposal = _proposed(bare, tmp_path)
    assert (proposal.guesses["quantity"].value, _asked(proposal)) == ("power_w", set())
    assert any("were taken as power in W" in warning for warning in proposal.warnings)
    steady = {f"h_{hour:02}{minute:02}": "230.5" for hour in range(5, 21) for minute in (0, 15, 30, 45)}
    assert "quantity" in _asked(_proposed(bare, tmp_path, **steady))


def test_word_for_energy_leaves_only_the_scale_to_the_size(tmp_path: Path) -> None:
    make = replace(DAY, quantity="energy_kwh", heading="{serial} Energy")
    assert _proposed(make, tmp_path).guesses["quantity"].value == "energy_kwh"


def test_labels_at_the_ends_show_in_days_across_with_columns_not_full(tmp_path: Path) -> None:
    make = replace(DAY, shape="times", time="%Y-%m-%d", serials=DAY.serials[:1], label="end", days=2)
    path, _ = written.write(make, tmp_path)
    proposal = propose(unfolded(tables_of(path)[0]), KNOWN, {})
    assert (proposal.guesses["label"].value, _asked(proposal)) == ("end", set())


def test_hours_of_a_neighbouring_zone_are_asked_and_not_taken_for_the_site_s(tmp_path: Path) -> None:
    """Ends in a zone an hour ahead are starts of two hours later: light alone fits no zone of the record."""
    make = replace(DAY, zone="+03:00", label="end", interval=60, days=3)
    assert "timezone" in _asked(_proposed(make, tmp_path))
