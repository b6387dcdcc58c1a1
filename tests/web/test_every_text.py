"""Every text that people read comes out of the languages' files.

A language is invented, of one added file: every letter of every text is there as a wide one. What still has plain
letters on a page, in a chart or in a message after that is a text that no translator would be given, or data.
The invented language stands in for Greek, whose own names of days and months have no plain letters either.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.intake.export.tables import ENCODINGS
from service.report import language
from service.settings import Settings
from service.web.app import create_app
from service.web.pages.codes import in_groups
from service.web.pages.headers import is_page
from tests.report import sample
from tests.report.catalog import brought_up, texts, write
from tests.report.test_catalogs import forms
from tests.web.roles import House
from tests.web.test_access import EXPECTED
from tests.web.visit import add_person, add_site, sign_in

pytestmark = pytest.mark.one_database

CODE = "el"
VALUES = re.compile(r"(%\(\w+\)[sd]|\{\w+\}|%%|<[^>]*>|&\w+;)")
READ = {"alt", "title", "aria-label", "placeholder", "data-label", "content"}
UNREAD = {"script", "style", "datalist"}
"""Elements whose text is not read; the zones to choose from have the names that the world gave them."""

NAMES = {"description", "application-name"}
"""Metas whose content is read."""

FILES = (".csv", ".json", "/photos/", "/static/", ".pdf", "/s/{code}", "qr.svg")
"""Addresses under which programs read, or that lead on to another page."""

ROLE_OF = {"/owner/{token}": "owner", "/sign-in": "nobody", "/password/{invitation}": "nobody"}
ADDRESS = re.compile(r"(https?:/|\w+\.example)?/[\w./?=&%-]+")
OF_A_FEED = (
    "+serial/state",
    "state",
    "serial",
    "Not authorized",
    "sent",
    "total",
    "inside",
    "n/a",
    "T",
    "$.sent",
)
"""Topic, paths and messages of the feed that the house has, and what its broker says."""

DATA = (
    *OF_A_FEED,
    *ENCODINGS,
    "Yieldproof", "Kiln Cottage", "Mill Lane", "south roof", "east dormer", "Europe/London", "module", "inverter",
    "stranger", "installer", "office person", "office", "Ana", "nobody", "all-write", "all-read", "site-write",
    "site-read", "other-site", "English", "IEC", "POST", "Wh", "kWh", "MWh", "kW", "W", "min", "PI",
    "CSV", "XLSX", "PDF", "PNG", "SVG", "JSON", "UTC", "h", "A", "B", "deg", "V", "UTF-8", "Zeit",
)  # fmt: skip
"""Names of people, sites, planes, types and tokens in the tests' house; marks of units; names of standards."""


def wide(text: str) -> str:
    """Return a text with wide letters, its values and tags as they are."""
    parts = VALUES.split(text)
    return "".join(p if VALUES.fullmatch(p) else re.sub("[A-Za-z]", _wide, p) for p in parts)


def _wide(match: re.Match[str]) -> str:
    return chr(ord(match[0]) + 0xFEE0)


@lru_cache
def file_of_the_invented() -> bytes:
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{CODE}.po"
        catalog = brought_up(path)
        for message in texts(catalog):
            said = [one if message.context in {"date", "time"} else wide(one) for one in forms(message.id)]
            message.string = said[0] if isinstance(message.id, str) else tuple(said)
        write(path, catalog)
        return path.read_bytes()


@pytest.fixture
def invented(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let there be the invented language: one file, and nothing else."""
    (tmp_path / f"{CODE}.po").write_bytes(file_of_the_invented())
    monkeypatch.setattr(language, "FOLDER", tmp_path)
    _forget()
    yield
    monkeypatch.undo()
    _forget()


def _forget() -> None:
    language.languages.cache_clear()
    language._texts.cache_clear()


class Reader(HTMLParser):
    """Gathers what a reader reads or hears of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Read the attributes that are said aloud or shown."""
        given = {name: value or "" for name, value in attrs}
        self._silent += tag in UNREAD
        if tag == "input" and given.get("type") in {"submit", "button"}:
            self.said.append(given.get("value", ""))
        if tag != "meta" or given.get("name") in NAMES:
            self.said += [given[name] for name in READ & set(given)]

    def handle_endtag(self, tag: str) -> None:
        """End what is not read."""
        self._silent -= tag in UNREAD

    def handle_data(self, data: str) -> None:
        """Read a text."""
        if not self._silent:
            self.said.append(data)


def plain_words(page: str, data: tuple[str, ...]) -> set[str]:
    """Return the words of a page that have plain letters and are no data."""
    reader = Reader()
    reader.feed(page)
    text = " \n ".join(unescape(said) for said in reader.said)
    known = "|".join(re.escape(text) for text in sorted(data, key=len, reverse=True))
    text = re.sub(rf"(?<![A-Za-z])(?:{known})(?![A-Za-z])", " ", text) if known else text
    return set(re.findall(r"[A-Za-z][A-Za-z\u2019'-]*", ADDRESS.sub(" ", text)))


def written() -> tuple[str, ...]:
    """Return the sentences of the sample's findings, which are written and not worked out."""
    return tuple(
        text
        for f in sample.verification().findings
        for text in (f.evidence, f.advice, str(f.details.get("season", "")))
        if text
    )


PATHS = [
    path
    for method, path in EXPECTED
    if method == "GET" and is_page(path) and not any(part in path for part in FILES)
]


@pytest.mark.usefixtures("invented")
@pytest.mark.parametrize("path", PATHS)
def test_every_page_is_all_of_translated_texts(settings: Settings, engine: Engine, path: str) -> None:
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        house = House(client, engine)
        house.build()
        role = ROLE_OF.get(path, "office")
        house.values |= {"form": "svg" if "chart" in path else "csv"}
        house.headers[role] = {**house.headers[role], "Accept-Language": CODE}
        answer = house.ask(role, "GET", path)
        if answer.headers.get("content-type", "").startswith("text/csv"):
            pytest.skip("a file for programs")
        assert answer.status_code == 200, answer.text
        data = (*written(), *DATA, *house.values.values(), in_groups(house.values["code"]))
        assert plain_words(answer.text, data) == set()


@pytest.mark.usefixtures("invented")
def test_the_check_sees_a_text_that_is_not_translated() -> None:
    with language.speaking(CODE):
        said = language.gettext("Sign out")
    assert said == wide("Sign out")
    page = f'<p title="Undone">{said}</p><img alt="{said}"><script>let x</script><p>{said} not yet</p>'
    assert plain_words(page, ()) == {"Undone", "not", "yet"}
    assert plain_words(page, ("not yet",)) == {"Undone"}


@pytest.mark.usefixtures("invented")
def test_errors_and_empty_pages_are_translated_too(settings: Settings, engine: Engine) -> None:
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        client.headers["Accept-Language"] = CODE
        sign_in(client, add_person(engine, "office"))
        bare = add_site(engine, None, name="Mill Lane")
        for path, status in (
            ("/", 200), ("/nothing", 404), ("/?q=zz", 200), ("/?page=x", 422),
            (f"/sites/{bare}", 200), (f"/sites/{bare}/van", 200), (f"/sites/{bare}/units/{sample.SHADED}", 200),
        ):  # fmt: skip
            answer = client.get(path)
            assert answer.status_code == status, path
            assert plain_words(answer.text, (*DATA, "zz", bare)) == set(), path
        refused = client.post("/sign-in", data={"name": "Ana"})
        assert refused.status_code == 422
        assert plain_words(refused.text, DATA) == set()


@pytest.mark.usefixtures("invented")
@pytest.mark.parametrize(
    ("path", "sent"),
    [
        ("/sites/new", {"name": "", "latitude": "5", "timezone": "Mars", "contact.email": "x", "commissioned_on": "x"}),
        ("/people", {"name": "", "role": "office"}),
        ("/tokens", {"name": ""}),
        ("/account/password", {"old": "x", "new": "y" * 12, "again": "y" * 12}),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_in_the_language_too(
    settings: Settings, engine: Engine, path: str, sent: dict[str, str]
) -> None:
    with TestClient(create_app(settings, engine=engine), base_url="http://roofs.example") as client:
        client.headers["Accept-Language"] = CODE
        sign_in(client, add_person(engine, "office"))
        refused = client.post(path, data=sent)
        assert refused.status_code == 422
        reader = plain_words(refused.text, (*DATA, "roofs@firm.example", "Europe/London"))
        assert reader == set()
