"""The list of sites: in words, and as the page that filters, searches, sorts and pages it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.report import words
from service.store import punch
from service.store.database import writing
from service.store.overview import Line, Page, State
from service.web.pages.listing import Asked, Listing, listing
from tests.report import sample
from tests.web.visit import add_person, add_site, sign_in

NOW = datetime(2026, 5, 6, 12, tzinfo=UTC)


def line(**more: Any) -> Line:
    start = datetime(2026, 5, 3, 23, tzinfo=UTC)
    base = Line(
        "id",
        "Kiln Cottage",
        "Europe/London",
        date(2026, 5, 4),
        datetime(2026, 5, 10, 23, tzinfo=UTC),
        3,
        False,
        "attention",
        1000.0,
        14,
        14,
        start,
        start + timedelta(days=7),
    )
    return replace(base, **more)


UNMADE: dict[str, Any] = dict.fromkeys(
    ("verdict", "lost_wh_per_day", "units_heard", "units_fitted", "window_start", "window_end")
)


def counts(attention: int = 0, verified: int = 0, too_little: int = 0, unheard: int = 0) -> dict[State, int]:
    return {
        "attention": attention,
        "verified": verified,
        "too_little_light": too_little,
        "unheard": unheard,
    }


PLAIN = Asked()


def shown(*lines: Line, asked: Asked = PLAIN, **more: Any) -> Listing:
    found = Page(list(lines), counts(**more) if more else counts(attention=len(lines)))
    return listing(found, asked, now=NOW, for_van=False, is_instead=False)


def plain(text: str) -> str:
    return text.replace(words.NBSP, " ")


@pytest.mark.parametrize(
    ("made", "answer", "lost"),
    [
        (line(), "Look at this site", "1.00 kWh"),
        (line(units_heard=12), "Look at this site: 2 units not heard", "1.00 kWh"),
        (line(units_heard=0), "No unit was heard so far", "1.00 kWh"),
        (line(verdict="verified", lost_wh_per_day=0.0), "Makes what it should", "0 Wh"),
        (line(verdict="too_little_light", lost_wh_per_day=0.0), "Too early to say", "0 Wh"),
        (line(**UNMADE), "Not worked out yet", words.EN_DASH),
        (line(**UNMADE, data_version=0), "No readings yet", words.EN_DASH),
    ],
)
def test_a_row_of_the_list(made: Line, answer: str, lost: str) -> None:
    (row,) = shown(made).rows
    assert (plain(row.answer), plain(row.lost_per_day)) == (answer, lost)


@pytest.mark.parametrize(
    ("first_day", "week", "passed"),
    [
        (date(2026, 5, 8), "begins Fri 8 May", None),
        (date(2026, 5, 7), "begins Thu 7 May", None),
        (date(2026, 5, 6), "7 days left", 0),
        (date(2026, 5, 4), "5 days left", 2),
        (date(2026, 4, 30), "last day", 6),
        (date(2026, 4, 29), "over", None),
    ],
)
def test_days_left_of_the_first_week(first_day: date, week: str, passed: int | None) -> None:
    (row,) = shown(line(first_day=first_day)).rows
    assert (plain(row.week), row.passed) == (week, passed)


def test_days_left_are_counted_on_the_sites_own_clock() -> None:
    # At noon UTC it is the next day in Auckland.
    (row,) = shown(line(timezone="Pacific/Auckland")).rows
    assert plain(row.week) == "4 days left"


def test_the_longest_bar_is_the_largest_loss() -> None:
    rows = shown(line(), line(lost_wh_per_day=250.0), line(**UNMADE)).rows
    assert [row.lost_px for row in rows] == [96.0, 24.0, 0.0]


def test_pages_filters_and_orders_keep_what_was_asked_for() -> None:
    asked = Asked(week="all", q="mill & co", state="attention", sort="left", page=2)
    made = shown(line(), asked=asked, attention=60, verified=7)
    assert made.pages == 3
    assert made.earlier == "/?week=all&q=mill+%26+co&state=attention&sort=left"
    assert made.further == "/?week=all&q=mill+%26+co&state=attention&sort=left&page=3"
    assert plain(made.headline) == "Look at 60 of 67 sites"
    said = {plain(one.text): (one.href, one.chosen) for one in (*made.scopes, *made.states, *made.orders)}
    assert said["Look at these (60)"] == ("/?week=all&q=mill+%26+co&state=attention&sort=left", True)
    assert said["Any answer (67)"] == ("/?week=all&q=mill+%26+co&sort=left", False)
    assert said["In their first week"] == ("/?q=mill+%26+co&state=attention&sort=left", False)
    assert said["Largest loss"] == ("/?week=all&q=mill+%26+co&state=attention", False)


def test_beyond_the_last_page_the_way_leads_back_to_it() -> None:
    beyond = shown(asked=Asked(page=9), attention=60)
    assert (beyond.earlier, beyond.further) == ("/?page=3", None)


# The page


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    return sign_in(visitor, add_person(engine, "office"))


@pytest.fixture
def visitor(client: TestClient) -> TestClient:
    del client.headers["Authorization"]
    return client


def add_new(engine: Engine, name: str, days_ago: int, verification: Any = None) -> str:
    today = datetime.now(UTC).date()
    began = (today - timedelta(days=days_ago)).isoformat()
    record: Any = {**sample.record(), "commissioned_on": began, "timezone": "UTC"}
    return add_site(engine, verification, name=name, record=record)


def names(page: str) -> list[str]:
    return [unescape(name) for name in re.findall(r'<th scope="row"><a [^>]+>([^<]+)', page)]


def test_the_list_opens_on_the_first_week(office: TestClient, engine: Engine) -> None:
    add_new(engine, "New", 2, sample.healthy())
    add_new(engine, "Newer and lossy", 1, sample.verification())
    add_new(engine, "Old", 30, sample.verification())
    assert names(office.get("/").text) == ["Newer and lossy", "New"]
    assert names(office.get("/?sort=left").text) == ["New", "Newer and lossy"]
    assert names(office.get("/?state=verified").text) == ["New"]
    assert names(office.get("/?state=unheard").text) == []
    assert "No site fits these choices" in office.get("/?state=unheard").text
    assert set(names(office.get("/?week=all").text)) == {"New", "Newer and lossy", "Old"}
    assert "5 days left" in plain(office.get("/").text)


def test_where_no_site_is_in_its_first_week_all_are_shown_and_the_page_says_so(
    office: TestClient, engine: Engine
) -> None:
    add_new(engine, "New", 2)
    add_new(engine, "Old", 30)
    found = office.get("/?q=old").text
    assert names(found) == ["Old"]
    assert "No site is in its first week; here is every site" in found
    assert names(office.get("/?q=ew").text) == ["New"]


def test_a_site_is_found_by_a_units_serial(office: TestClient, engine: Engine) -> None:
    add_new(engine, "With the unit", 2)
    assert names(office.get("/", params={"q": sample.DEAD[-6:]}).text) == ["With the unit"]


@pytest.mark.parametrize(
    "query", ["week=never", "state=fine", "sort=name", "punch=all", "page=0", "page=x", f"q={'x' * 201}"]
)
def test_what_the_list_does_not_know_is_refused_on_a_page(office: TestClient, query: str) -> None:
    answer = office.get(f"/?{query}")
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("text/html")


def test_the_list_can_be_that_of_sites_with_something_to_be_done(office: TestClient, engine: Engine) -> None:
    names_of = {name: add_new(engine, name, 2, sample.verification()) for name in ("Open", "Closed", "None")}
    with writing(engine) as session:
        for name in ("Open", "Closed"):
            new = punch.New(f"unit:{sample.DEAD}", "no_output", (sample.DEAD,), {}, 900.0, "0" * 64)
            entry = punch.open_entry(session, names_of[name], new, "office person")
            entry.state = "closed" if name == "Closed" else "looked_at"
            session.add(entry)
    assert names(office.get("/?punch=open").text) == ["Open"]
    assert "No site fits these choices" in office.get("/?punch=open&state=verified").text
    assert len(names(office.get("/").text)) == 3
