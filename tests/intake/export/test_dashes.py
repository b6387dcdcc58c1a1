"""A dash is nothing made where the nights are written so, and no value elsewhere."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.intake.export import written
from tests.intake.export.corpus import SERIALS, Make
from tests.intake.export.judged import Got, judged, known_of, proposals, taken

DASHED = Make("dashed", nothing="-")


def _read(path: Path, make: Make) -> tuple[Got, list[str]]:
    found = proposals(path, known_of(make), {})
    got, rejected, warnings = taken(found, known_of(make))
    assert rejected <= 6
    return got, [*warnings, *(w for _, p in found for w in p.warnings)]


def test_nights_of_dashes_are_nothing_made_and_it_is_said(tmp_path: Path) -> None:
    path, truth = written.write(DASHED, tmp_path)
    got, warnings = _read(path, DASHED)
    assert got == truth
    assert sum(wh == 0 for wh in got.values()) > 100
    assert any("a dash was taken for nothing made" in w for w in warnings)


@pytest.mark.parametrize(("answer", "is_right"), [("zero", True), ("missing", False)])
def test_unit_that_shows_dashes_by_day_is_asked_for(answer: str, is_right: bool, tmp_path: Path) -> None:
    make = replace(DASHED, dead=(1,))
    path, truth = written.write(make, tmp_path)
    assert {q.key for _, p in proposals(path, known_of(make), {}) for q in p.questions} == {"dash"}
    assert (judged(path, make, truth, {"dash": answer}).wrong is None) == is_right


def test_dashes_of_a_counter_are_no_zeros(tmp_path: Path) -> None:
    make = Make("meter", quantity="counter_wh", heading="Total {serial} Wh", label="end", interval=30)
    path, truth = written.write(make, tmp_path)
    lines = path.read_text().splitlines()
    dashed = [
        line[:19] + ",-" * len(SERIALS) if line[11:13] in ("00", "01", "23") else line for line in lines
    ]
    path.write_text("\n".join(dashed))
    got, warnings = _read(path, make)
    assert all(abs(wh - truth[key]) < 0.001 for key, wh in got.items())
    assert not any("dash" in w for w in warnings)


def test_dashes_that_may_be_zeros_are_warned_of(tmp_path: Path) -> None:
    """Without a whole day of light nothing tells what is night."""
    make = replace(DASHED, hours=(14, 24), days=1, time="%Y-%m-%dT%H:%MZ", zone="UTC", time_heading="Start")
    path, _ = written.write(make, tmp_path)
    _, warnings = _read(path, make)
    assert any("no cell says 0" in w for w in warnings)


def test_dashes_among_zeros_are_values_that_are_missing(tmp_path: Path) -> None:
    make = Make("gaps", missing="-")
    path, truth = written.write(make, tmp_path)
    got, warnings = _read(path, make)
    assert len(truth) - 30 < len(got) < len(truth)
    assert not any("dash" in w for w in warnings)
