"""Every make of file is read right without a hand, or asks; and after true answers it is read right."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.intake.export import written
from tests.intake.export.corpus import MAKES, Make
from tests.intake.export.judged import Judged, judged, known_of, proposals
from tests.intake.export.mixtures import mixture


@pytest.mark.parametrize("make", MAKES, ids=lambda m: m.name)
def test_file_is_right_once_its_questions_are_answered_truly(make: Make, tmp_path: Path) -> None:
    found = _judged(make, tmp_path)
    assert found.wrong is None
    assert found.rejected <= 5
    assert found.asked == ASKED.get(make.name, frozenset())


@pytest.mark.parametrize("seed", range(20))
def test_files_of_any_mixture_are_right_once_their_questions_are_answered_truly(
    seed: int, tmp_path: Path
) -> None:
    found = _judged(mixture(seed), tmp_path)
    assert found.wrong is None


ASKED = {
    "english_thousands": frozenset(["label"]),
    "dmy_one_day": frozenset(["day_first"]),
    "mdy_one_day": frozenset(["day_first", "timezone"]),
    "utc_unsaid": frozenset(["timezone"]),
    "standard_unsaid": frozenset(["timezone"]),
    "winter_utc": frozenset(["timezone"]),
    "autumn_change_counter": frozenset(["label", "timezone"]),
    "watts_unsaid": frozenset(["quantity"]),
    "kwh_unsaid": frozenset(["quantity"]),
    "wh_said_kwh": frozenset(["quantity"]),
    "kwh_said_wh": frozenset(["quantity"]),
    "counter_unsaid": frozenset(["label", "quantity"]),
    "blocks_numbered": frozenset(["units"]),
    "sheets_numbered": frozenset(["units"]),
    "numbered": frozenset(["units"]),
    "numbered_long": frozenset(["units"]),
    "named_by_roof": frozenset(["units"]),
    "named_by_place": frozenset(["units"]),
    "interval_changes_end": frozenset(["label"]),
    "nights_left_out": frozenset(["label"]),
    "energy_said_w": frozenset(["quantity"]),
}
"""What must be asked, since neither the file nor the record can tell; of every other make nothing is."""


def _judged(make: Make, folder: Path) -> Judged:
    path, truth = written.write(make, folder)
    return judged(path, make, truth)


def test_most_makes_come_in_without_a_hand() -> None:
    assert len(ASKED) <= 0.16 * len(MAKES)


def test_what_is_asked_has_a_wording_for_people(tmp_path: Path) -> None:
    make = Make(
        "asked", names="numbered", time="%d/%m/%Y %H:%M", first=date(2026, 6, 3), days=1, hours=(9, 12)
    )
    path, _ = written.write(make, tmp_path)
    questions = proposals(path, known_of(make), {})[0][1].questions
    assert {"units", "day_first", "label", "timezone"} <= {q.key for q in questions}
    for question in questions:
        assert question.text.endswith("?")
        assert question.why
        assert len(question.labels) == len(question.choices)
        assert all(question.labels)
