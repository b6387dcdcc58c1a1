"""Every noted action has its sentence, and what has none is shown as it was noted."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from service.report.deeds import COMMAND_LINE, DEEDS, IN_WORDS, NO_PEOPLE, WITHOUT_ENTRY, deed, doer
from service.store import punch
from service.store.accounts import TAKEN_NAMES

NOTED = re.compile(r'note\([^)]*?"(\w+\.\w+)"', re.DOTALL)


def test_a_sentence_with_its_names() -> None:
    assert deed("Ida", "assignment.made", {"site": "Mill", "name": "Ana"}) == "Ida assigned the site to Ana."
    assert (
        deed("Ida", "account.role", {"name": "Ana", "role": "office"}) == "Ida gave Ana another role: office."
    )


@pytest.mark.parametrize(
    ("action", "details", "said"),
    [
        ("roof.painted", {}, "Ida: roof.painted"),
        ("roof.painted", {"colour": "red", "name": "50 %s"}, "Ida: roof.painted (colour red, name 50 %s)"),
        ("assignment.made", {"site": "Mill"}, "Ida: assignment.made (site Mill)"),
    ],
)
def test_what_has_no_sentence_is_shown_plainly(action: str, details: dict[str, str], said: str) -> None:
    assert deed("Ida", action, details) == said


def test_who_is_no_person_is_said_so() -> None:
    named = {"name": "Ana"}
    assert deed("token gateway", "account.enabled", named).startswith("The token gateway enabled")
    assert deed(COMMAND_LINE, "account.enabled", named).startswith("A command on the server enabled")


def test_what_is_done_with_and_without_an_entry() -> None:
    units = {"serials": ["101", "102", "103"]}
    assert deed("Bo", "punch.mended", {"entry": 3, **units}) == "Bo marked entry 3 of the punch list mended."
    assert deed("Bo", "punch.mended", {"entry": None, **units}) == "Bo marked 101, 102 and 103 mended."
    assert (
        deed("the readings", "punch.closed", {"entry": 3}) == "The readings closed entry 3 of the punch list."
    )


def test_every_step_of_the_punch_list_has_a_sentence() -> None:
    assert {f"punch.{what}" for what in get_args(punch.What)} <= set(DEEDS)
    assert set(WITHOUT_ENTRY) <= set(DEEDS)


def test_nobody_can_take_the_name_of_what_is_no_person() -> None:
    for who in (*NO_PEOPLE, "token gateway"):
        assert doer(who) != who
        assert TAKEN_NAMES.match(who)


def test_names_that_look_like_placeholders_stay_names() -> None:
    assert deed("%(name)s", "account.enabled", {"name": "%s"}) == "%(name)s enabled the account of %s again."


def test_every_action_that_the_program_notes_has_a_sentence() -> None:
    sources = Path(__file__).parents[2] / "service"
    noted = {a for file in sources.rglob("*.py") for a in NOTED.findall(file.read_text(encoding="utf-8"))}
    assert len(noted) > 15
    assert noted <= set(DEEDS)


def test_words_have_no_placeholders() -> None:
    assert not [word for word in IN_WORDS.values() if "%" in word]
