from __future__ import annotations

import pytest

from service.report import language


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("de", "de"),
        ("de-AT,de;q=0.9,en;q=0.8", "de"),
        ("en-GB,en;q=0.9,de;q=0.1", "en"),
        ("de;q=0.1,en;q=0.9", "en"),
        ("fr-FR,fr;q=0.9,de;q=0.5", "de"),
        ("fr", "en"),
        ("", "en"),
        ("de;q=much, ;;", "en"),
    ],
)
def test_the_browsers_wish_chooses_the_language(header: str, expected: str) -> None:
    assert language.preferred(header) == expected


def test_texts_follow_the_language_and_come_back() -> None:
    assert language.gettext("Sign out") == "Sign out"
    with language.speaking("de"):
        assert language.gettext("Sign out") == "Abmelden"
        assert language.gettext("no such text") == "no such text"
    assert language.gettext("Sign out") == "Sign out"


def test_a_language_that_there_is_not_is_english() -> None:
    with language.speaking("xx"):
        assert language.current_language() == "en"
