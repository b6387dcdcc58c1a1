"""Every make of file is read right without a hand, or asks; and after true answers it is read right."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.intake.export.model import Known, Proposal
from service.intake.export.propose import propose
from service.intake.export.read import Tally, read
from service.intake.export.tables import Table, tables_of
from tests.intake.export import corpus
from tests.intake.export.corpus import MAKES, RECORD, Make, Truth

KNOWN = Known.of_record(RECORD)
Got = dict[tuple[str, datetime], float]


def _proposals(path: Path, answers: Mapping[str, str]) -> list[tuple[Table, Proposal]]:
    return [(table, propose(table, KNOWN, answers)) for table in tables_of(path)]


def _taken(found: list[tuple[Table, Proposal]]) -> tuple[Got, int]:
    """Return the energies that are read, by unit and start, and how many were rejected."""
    got: Got = {}
    rejected = 0
    for table, proposal in found:
        assert proposal.recipe is not None, proposal.refused
        for piece in read(table, proposal.recipe, KNOWN, Tally()):
            rejected += len(piece.rejected)
            for s in piece.samples:
                hours = s.interval_min / 60 if s.channel == "power_w" else 1
                for start, value in zip(s.starts.tolist(), s.values.tolist(), strict=True):
                    got[s.serial, datetime.fromtimestamp(start, UTC)] = value * hours
    return got, rejected


def _coarse(truth: Truth, minutes: int) -> Got:
    """Return the truth in intervals that are kept."""
    found: Got = {}
    if minutes in (5, 10, 15, 30, 60):
        return truth
    if minutes == 20:
        for (serial, start), wh in truth.items():
            for part in (0, 1):
                at = datetime.fromtimestamp(start.timestamp() + part * 600, UTC)
                found[serial, at] = wh / 2
        return found
    for (serial, start), wh in truth.items():
        for minute in range(minutes):
            at = start + timedelta(minutes=minute)
            at = at.replace(minute=at.minute // 5 * 5)
            found[serial, at] = found.get((serial, at), 0) + wh / minutes
    return found


def _wrong(make: Make, truth: Truth, got: Got) -> str | None:
    """Return what is wrong with what was read, None if it is right."""
    wanted = _coarse(truth, make.interval)
    strange = [key for key in got if key not in wanted]
    if strange:
        return f"{len(strange)} of {len(got)} at times or units that are not there, such as {strange[0]}"
    share = 0.9 if make.missing is not None else 0.985
    first = len(corpus.SERIALS) if make.quantity.startswith("counter") else 0
    if len(got) + first < share * len(wanted):
        return f"only {len(got)} of {len(wanted)}"
    off = [key for key, wh in got.items() if abs(wh - wanted[key]) > 0.011]
    return f"{len(off)} values differ, such as {off[0]}: {got[off[0]]}, not {wanted[off[0]]}" if off else None


def _settle(path: Path, make: Make) -> tuple[list[tuple[Table, Proposal]], set[str]]:
    """Answer truly until nothing is asked any more; return the last proposals and what was asked."""
    true, answers = corpus.answers_of(make), dict[str, str]()
    while True:
        found = _proposals(path, answers)
        open_keys = {q.key for _, p in found for q in p.questions}
        if not open_keys:
            return found, set(answers)
        assert not open_keys & answers.keys(), "asked again what was answered"
        answers |= {key: true[key] for key in open_keys}


@pytest.mark.parametrize("make", MAKES, ids=lambda m: m.name)
def test_file_is_right_once_its_questions_are_answered_truly(make: Make, tmp_path: Path) -> None:
    path, truth = corpus.write(make, tmp_path)
    found, _ = _settle(path, make)
    got, rejected = _taken(found)
    assert _wrong(make, truth, got) is None
    assert rejected <= 5


def test_but_for_the_label_files_are_right_without_a_hand_or_ask(tmp_path: Path) -> None:
    wrong, unasked = [], 0
    for make in MAKES:
        path, truth = corpus.write(make, tmp_path)
        found = _proposals(path, {"label": make.label})
        if any(p.questions for _, p in found):
            continue
        unasked += 1
        problem = _wrong(make, truth, _taken(found)[0])
        if problem:
            wrong.append(f"{make.name}: {problem}")
    assert wrong == []
    assert unasked >= 0.85 * len(MAKES), "too much is asked"


@pytest.mark.parametrize("seed", range(60))
def test_files_of_any_mixture_are_right_without_a_hand_or_ask(seed: int, tmp_path: Path) -> None:
    make = corpus.any_make(seed)
    path, truth = corpus.write(make, tmp_path)
    found = _proposals(path, {"label": make.label})
    if any(p.questions for _, p in found):
        found, _ = _settle(path, make)
    assert _wrong(make, truth, _taken(found)[0]) is None
