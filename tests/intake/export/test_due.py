"""What the recorded roof decides, with a warning, and what it leaves open: scales, and ends of intervals."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from service.intake.export.model import Proposal
from service.intake.export.propose import propose
from service.intake.export.tables import tables_of
from tests.intake.export import written
from tests.intake.export.corpus import Make, Truth, truth_of
from tests.intake.export.judged import Judged, judged, known_of, proposals

WH_SAID_KWH = Make("wh_said_kwh", heading="{serial} (kWh)")
KWH_SAID_WH = Make("kwh_said_wh", quantity="energy_kwh", heading="{serial} (Wh)")
HALF_HOURS = Make(
    "half_hours",
    quantity="counter_wh",
    heading="Total {serial} Wh",
    interval=30,
    days=5,
    first=date(2026, 5, 4),
)
Changed = Callable[[float], float]


def _proposed(make: Make, folder: Path, change: Changed = lambda wh: wh) -> Proposal:
    """Return how the file would be read if the roof made other energies."""
    return _written(make, folder, {key: change(wh) for key, wh in truth_of(make).items()})


def _written(make: Make, folder: Path, truth: Mapping[tuple[str, object], float]) -> Proposal:
    path = folder / f"{make.name}.csv"
    path.write_bytes(written._text(make, Truth(truth)))  # type: ignore[arg-type]
    (table,) = tables_of(path)
    return propose(table, known_of(make), {})


def _asked(proposal: Proposal) -> set[str]:
    return {question.key for question in proposal.questions}


# Scales


@pytest.mark.parametrize(
    ("make", "quantity", "why"),
    [
        (WH_SAID_KWH, "energy_wh", r"in kWh it would give \d{6} W at its best, with a rating of 350 W"),
        (KWH_SAID_WH, "energy_kwh", r"in Wh no unit would have more than 0\.\d+ % of a clear sky's energy on any"),
    ],
)  # fmt: skip
def test_unit_a_thousand_times_off_is_put_right_with_the_numbers(
    make: Make, quantity: str, why: str, tmp_path: Path
) -> None:
    proposal = _proposed(make, tmp_path)
    assert (proposal.guesses["quantity"].value, _asked(proposal)) == (quantity, set())
    (said,) = (w for w in proposal.warnings if w.startswith("the values were taken as"))
    assert str(said).endswith("choose what they are (quantity)")
    assert re.search(why, said)


@pytest.mark.parametrize("make", [WH_SAID_KWH, KWH_SAID_WH])
def test_unit_that_would_leave_a_quarter_of_what_is_due_is_asked(make: Make, tmp_path: Path) -> None:
    proposal = _proposed(make, tmp_path, lambda wh: wh / 4)
    assert "quantity" in _asked(proposal)


@pytest.mark.parametrize("heading", ["{serial} Energy (W)", "{serial}"])
@pytest.mark.parametrize("part", [1.0, 0.25])
def test_factor_of_four_is_never_decided(heading: str, part: float, tmp_path: Path) -> None:
    """Wh of a quarter of an hour are a quarter of W, and a site may make a quarter of what is due."""
    for quantity in ("energy_kwh", "power_kw"):
        proposal = _proposed(Make("four", quantity=quantity, heading=heading), tmp_path, lambda wh: wh * part)
        taken = proposal.guesses["quantity"].value
        assert "quantity" in _asked(proposal) or taken == quantity


def test_roof_that_made_a_thousandth_is_never_taken_without_a_word(tmp_path: Path) -> None:
    proposal = _proposed(Make("snow", heading="{serial} (Wh)"), tmp_path, lambda wh: wh / 1000)
    assert "quantity" in _asked(proposal) or any("taken as energy" in w for w in proposal.warnings)


def test_rows_of_a_night_decide_nothing(tmp_path: Path) -> None:
    night = replace(KWH_SAID_WH, hours=(21, 24))
    assert "quantity" in _asked(_proposed(night, tmp_path))


# Ends of intervals


def _right(make: Make, folder: Path) -> Judged:
    path, truth = written.write(make, folder)
    return judged(path, make, truth)


@pytest.mark.parametrize("label", ["start", "end"])
@pytest.mark.parametrize("zone", ["Europe/Berlin", "UTC"])
def test_end_of_half_an_hour_follows_from_the_light_on_the_planes(
    label: str, zone: str, tmp_path: Path
) -> None:
    found = _right(replace(HALF_HOURS, label=label, zone=zone), tmp_path)
    assert (found.wrong, found.asked) == (None, frozenset())
    assert any("(label=" in w for w in found.warnings)


def test_end_of_a_quarter_of_an_hour_is_proposed_and_asked(tmp_path: Path) -> None:
    make = Make("quarters", quantity="counter_wh", heading="{serial} Wh", first=date(2026, 10, 23), days=5)
    path, _ = written.write(make, tmp_path)
    (question,) = proposals(path, known_of(make), {})[0][1].questions
    assert (question.key, question.proposed) == ("label", "start")
    assert "planes that face some degrees otherwise" in question.why


def test_clock_that_is_late_by_an_interval_is_never_taken_without_a_word(tmp_path: Path) -> None:
    """Starts of a clock half an hour late look like ends: rarer than such exports, and warned of."""
    for minutes in (-30, 30):
        make = replace(HALF_HOURS, quantity="energy_wh", hours=(6, 17), heading="{serial} (Wh)")
        truth = truth_of(make)
        late = {(s, at + timedelta(minutes=minutes)): wh for (s, at), wh in truth.items()}
        proposal = _written(make, tmp_path, late)
        assert "label" in _asked(proposal) or any("(label=" in w for w in proposal.warnings)


def test_roof_that_faces_otherwise_than_on_record_is_never_read_wrong_without_a_word(tmp_path: Path) -> None:
    dice = random.Random(1)  # noqa: S311 - invented roofs
    for number in range(12):
        make = replace(
            HALF_HOURS,
            name=f"turned_{number}",
            azimuth=dice.uniform(100, 250),
            label=dice.choice(("start", "end")),
            first=date(2026, dice.randint(1, 12), 3),
        )
        found = _right(make, tmp_path)
        assert found.wrong is None or found.warnings
