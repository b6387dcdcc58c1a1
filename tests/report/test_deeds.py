"""Every noted action has its sentence, and what has none is shown as it was noted."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.report.deeds import COMMAND_LINE, DEEDS, IN_WORDS, deed

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


def test_names_that_look_like_placeholders_stay_names() -> None:
    assert deed("%(name)s", "account.enabled", {"name": "%s"}) == "%(name)s enabled the account of %s again."


def test_every_action_that_the_program_notes_has_a_sentence() -> None:
    sources = Path(__file__).parents[2] / "service"
    noted = {a for file in sources.rglob("*.py") for a in NOTED.findall(file.read_text(encoding="utf-8"))}
    assert len(noted) > 15
    assert noted <= set(DEEDS)


def test_words_have_no_placeholders() -> None:
    assert not [word for word in IN_WORDS.values() if "%" in word]
