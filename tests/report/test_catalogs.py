"""Every language says every text: nothing is missing, left over or guessed, and every value stands where it belongs."""

from __future__ import annotations

import ast
import re
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from babel.messages import Message

from service.report import words
from service.report.language import FOLDER, languages, speaking
from tests.report.catalog import KEYWORDS, ROOT, collected, kept, main, texts

FILES = sorted(FOLDER.glob("*.po"))
VALUES = re.compile(r"%\(\w+\)[sd]|\{\w+\}|%%")
NUMBER = {"%(num)s", "%(num)d"}
TAGS = re.compile(r"<[^>]*>")


def key(message: Message) -> tuple[object, str | None]:
    return message.id if isinstance(message.id, str) else tuple(message.id), message.context


def forms(text: str | tuple[str, ...] | list[str]) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text)


def named(path: Path) -> str:
    return path.stem


def test_there_are_texts_of_code_and_of_templates() -> None:
    places = {name.split("/")[0] for message in texts(collected()) for name, _ in message.locations}
    assert places == {"service", "templates"}
    assert languages() == ("en", *(path.stem for path in FILES))


@pytest.mark.parametrize("path", FILES, ids=named)
def test_the_file_holds_the_texts_that_there_are(path: Path) -> None:
    there, known = {key(m) for m in texts(collected())}, {key(m) for m in texts(kept(path))}
    assert sorted(there - known, key=str) == [], (
        "run `python -m tests.report.catalog` and translate what is new"
    )
    assert sorted(known - there, key=str) == [], (
        "run `python -m tests.report.catalog` to take out what is gone"
    )
    assert not kept(path).obsolete


@pytest.mark.parametrize("path", FILES, ids=named)
def test_every_text_is_translated_in_all_its_forms(path: Path) -> None:
    catalog = kept(path)
    for message in texts(catalog):
        assert not message.fuzzy, message.id
        said = forms(message.string)
        assert len(said) == (1 if isinstance(message.id, str) else catalog.num_plurals), message.id
        assert all(text.strip() for text in said), message.id


@pytest.mark.parametrize("path", FILES, ids=named)
def test_values_and_tags_are_those_of_the_english(path: Path) -> None:
    for message in texts(kept(path)):
        english = set(VALUES.findall(forms(message.id)[-1]))
        for text in forms(message.string):
            # a form for one may leave its number out, as in English
            assert english - set(VALUES.findall(text)) <= (
                {"%(num)s", "%(num)d"} if len(forms(message.id)) > 1 else set()
            )
            assert set(VALUES.findall(text)) <= english, message.id
            assert sorted(TAGS.findall(text)) == sorted(TAGS.findall(forms(message.id)[-1])), message.id


@pytest.mark.parametrize("path", FILES, ids=named)
def test_a_stray_per_cent_sign_breaks_no_sentence(path: Path) -> None:
    for message in texts(kept(path)):
        if "%(" in forms(message.id)[-1]:
            for text in forms(message.string):
                values = dict.fromkeys(re.findall(r"%\((\w+)\)", text), 1)
                assert "%(" not in text % values, message.id


def hidden(path: Path) -> list[str]:
    """Return the texts asked for inside f-strings, where the collection does not see them before Python 3.12."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = (
        node for string in ast.walk(tree) if isinstance(string, ast.JoinedStr) for node in ast.walk(string)
    )
    calls = (node for node in inside if isinstance(node, ast.Call) and isinstance(node.func, ast.Name))
    return [ast.unparse(c) for c in calls if c.func.id in KEYWORDS and isinstance(c.args[0], ast.Constant)]


def test_no_text_hides_from_the_collection(tmp_path: Path) -> None:
    found = {str(path): hidden(path) for path in sorted((ROOT / "service").rglob("*.py"))}
    assert {path: texts for path, texts in found.items() if texts} == {}
    example = tmp_path / "example.py"
    example.write_text("""f"{escape(_('so'))} {_(text)} {other('so')}\"""", encoding="utf-8")
    assert hidden(example) == ["_('so')"]


def test_dates_and_numbers_follow_the_language() -> None:
    moment, zone = datetime(2026, 7, 1, 11, 40, tzinfo=UTC), ZoneInfo("Europe/Berlin")
    with speaking("de"):
        said = [
            words.moment(moment, zone),
            words.days(moment.date(), moment.date().replace(day=10)),
            words.energy(1234.0),
            words.energy(1_234_567.0),
            words.number(-0.5, 1),
            words.listed(["a", "b", "c"]),
            words.counted(1, "day"),
            words.counted(2, "day"),
        ]
    assert [text.replace(words.NBSP, " ") for text in said] == [
        "Mi, 1. Juli 2026, 13:40",
        "1. bis 10. Juli 2026",
        "1,23 kWh",
        "1.235 kWh",
        f"{words.MINUS}0,5",
        "a, b und c",
        "1 Tag",
        "2 Tage",
    ]


def test_short_causes_fit_a_cell_in_every_language() -> None:
    for language in languages():
        with speaking(language):
            assert [said.short for said in words.CAUSES.values() if len(said.short) > 12] == []
            assert len({said.one for said in words.CAUSES.values()}) == len(words.CAUSES)


def test_bringing_a_file_up_changes_nothing_where_nothing_is_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "de.po"
    copy.write_bytes((FOLDER / "de.po").read_bytes())
    monkeypatch.setattr("tests.report.catalog.FOLDER", tmp_path)
    main([])
    assert copy.read_bytes() == (FOLDER / "de.po").read_bytes()
    main(["fr"])
    assert len(list(texts(kept(tmp_path / "fr.po")))) == len(list(texts(collected())))
    assert "0 to translate" in capsys.readouterr().out
