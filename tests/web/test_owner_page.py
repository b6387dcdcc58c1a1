"""The owner's page: what was made since commissioning, what was to be expected, what shade costs, whom to call."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.intake.reaching import dialled
from service.report import words
from service.settings import Settings, SettingsError
from service.store import site_days, sites
from service.store.database import writing
from service.store.site_days import Day
from service.store.tables import PunchEntry, Site
from service.verify.result import Finding, Verification
from service.web.app import create_app
from service.web.pages.contact import Contact, of_firm
from service.web.pages.lookup import Shown
from service.web.pages.owner_bars import bars
from service.web.pages.owner_doing import doing
from service.web.pages.owner_total import Total, shade, total
from service.web.pages.owner_view import owner_view, sentence
from tests.report import sample
from tests.web.visit import add_site

pytestmark = pytest.mark.one_database

SITE = sample.site()
FIRST = date(2026, 5, 1)


def plain(text: str) -> str:
    return text.replace(words.NBSP, " ")


def days(
    *pairs: tuple[float, float], heard: float = 1.0, sky: str = "array", first: date = FIRST
) -> list[Day]:
    """Return days with what was made and to be expected, kWh; `heard` is the share that was heard."""
    return [
        Day(first + timedelta(n), 1000 * made, 1000 * due, 1000 * due / heard, sky)
        for n, (made, due) in enumerate(pairs)
    ]


def told(
    known: list[Day], *, since: date | None = FIRST, today: date | None = None, still_due: int = 0
) -> Total:
    found = total(known, since, today or known[-1].day, still_due=still_due)
    assert found is not None
    return found


def finding(cause: str, *serials: str, **more: Any) -> Finding:
    return Finding(cause, serials, 0.9, "Evidence.", "Advice.", **more)


def with_findings(*findings: Finding) -> Verification:
    return replace(sample.healthy(), verdict="attention", findings=findings)


def shown(found: Verification | None, **more: Any) -> Shown:
    return Shown("id", SITE, "1", has_owner_link=True, found=found, **more)


# The answer


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (sample.healthy(), "Your roof makes what it should."),
        (with_findings(finding("no_output", sample.DEAD)), "No power comes from one of your 14 panels."),
        (
            with_findings(finding("shaded", sample.DEAD, sample.PART)),
            "A shadow falls on 2 panels for part of the day.",
        ),
        (
            with_findings(finding("branch_out", branch="A")),
            "A group of panels is switched off: no power comes from 10 panels.",
        ),
        (with_findings(finding("low_output")), "We get less power than we should from some of your panels."),
        (
            with_findings(),
            "Part of your roof makes less than it should; the figures do not tell why yet.",
        ),
    ],
)
def test_answer_in_one_sentence(found: Verification, said: str) -> None:
    assert plain(sentence(found, SITE)) == said


def test_what_is_proven_to_be_mended_is_not_the_answer() -> None:
    found = with_findings(finding("intermittent", sample.DEAD), finding("low_output", sample.PART))
    dead, part = (f"unit:{serial}" for serial in (sample.DEAD, sample.PART))
    assert plain(sentence(found, SITE, proven={dead})) == (
        "We get less power than we should from one of your 14 panels."
    )
    assert sentence(found, SITE, proven={dead, part}) == "Your roof makes what it should again."


def test_a_fault_that_came_back_is_the_answer_again() -> None:
    found = with_findings(finding("no_output", sample.DEAD))
    closed, opened = entry("closed", sample.DEAD), entry("open", sample.DEAD)
    for each in (closed, opened):
        each.subject = f"unit:{sample.DEAD}"
    assert "again" in owner_view(shown(found), [], FIRST, entries=[closed]).sentence
    assert "No power" in owner_view(shown(found), [], FIRST, entries=[closed, opened]).sentence


def test_before_readings_there_is_a_sentence_and_no_figure() -> None:
    view = owner_view(shown(None), [], FIRST)
    assert (view.total, view.bars, view.shade) == (None, None, "")
    assert view.sentence == "Your roof has not sent any figures yet."


# What is being done


def entry(state: str, *serials: str, cause: str = "no_output", **more: Any) -> PunchEntry:
    """Return an entry of the punch list."""
    return PunchEntry(
        site_id="id", number=1, subject="unit", cause=cause, serials=list(serials), finding={}, state=state,
        record_sha256="", opened_at=datetime(2026, 5, 1, tzinfo=UTC), opened_by="Ida Quarrie", **more,
    )  # fmt: skip


EVENING = datetime(2026, 5, 3, 23, 30, tzinfo=UTC)
"""Past midnight on the site's clock."""


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ([entry("open", sample.DEAD)], "One panel needs a visit. The day is not fixed yet."),
        (
            [entry("open", sample.DEAD), entry("looked_at", sample.PART, due_on=date(2026, 5, 20))],
            "2 panels need a visit. It is planned by Wed 20 May 2026, with Roofers.",
        ),
        (
            [entry("open", cause="branch_out", due_on=date(2026, 5, 2))],
            "Your roof needs a visit. It was planned by Sat 2 May 2026 and is late; ask Roofers for the new day.",
        ),
        (
            [entry("open", sample.SILENT, cause="not_reporting")],
            "Your installer is looking into something that needs no visit yet.",
        ),
        (
            [entry("said_mended", sample.DEAD, mended_at=EVENING)],
            "One panel was mended on Mon 4 May 2026. The next sunny hours will show whether it is right.",
        ),
        (
            [entry("closed", sample.DEAD, mended_at=EVENING, closed_at=EVENING + timedelta(3))],
            "One panel is right again since Mon 4 May 2026: what it made since then proves it.",
        ),
        (
            [entry("left", sample.DEAD, reason="bypass diode, customer will not pay")],
            "One panel stays as it is for now; your installer can tell you why.",
        ),
    ],
)
def test_what_is_being_done(entries: list[PunchEntry], said: str) -> None:
    assert [plain(line) for line in doing(entries, SITE, firm="Roofers", today=date(2026, 5, 10))] == [said]


def test_old_repairs_are_no_news_and_each_kind_has_its_sentence() -> None:
    closed = entry("closed", sample.PART, mended_at=EVENING, closed_at=EVENING)
    mixed = [closed, entry("open", sample.DEAD), entry("left", sample.SHADED)]
    assert len(doing(mixed, SITE, firm="", today=date(2026, 5, 10))) == 3
    assert doing([closed], SITE, firm="", today=date(2026, 9, 10)) == ()


def test_without_entries_the_installer_sees_it() -> None:
    view = owner_view(shown(sample.verification()), [], FIRST)
    assert view.doing == ("Your installer sees this too and knows where to look.",)


# Since commissioning


def test_energy_since_commissioning_against_what_was_to_be_expected() -> None:
    found = told(days((8, 8), (4, 4.5)))
    assert plain(found.figure) == "12.0 kWh"
    assert plain(found.caption) == "made by your roof since Fri 1 May 2026"
    assert plain(found.expected) == (
        "That is 96 % of what was to be expected in the weather that your panels saw: about 12.5 kWh, between "
        "11.2 kWh and 13.8 kWh, since it is worked out and not measured."
    )
    assert found.recorded == "All 2 days were recorded in full."
    assert found.silent == ""


def test_days_that_are_missing_or_in_part_are_told() -> None:
    known = [*days((8, 8)), *days((4, 4.5), heard=0.5, first=FIRST + timedelta(3))]
    assert told(known).recorded == (
        "Of the days since then, 4 in all, 1 was recorded in full. "
        "Hours that were not recorded count in neither figure."
    )
    assert told(days((1, 1)), since=FIRST - timedelta(9)).recorded.startswith(
        "Of the days since then, 10 in all, 1 was"
    )
    assert told(days((1, 1)), still_due=30).recorded.endswith(" 30 more days are still being worked out.")


def test_a_lone_panel_is_held_against_a_cloudless_sky_and_known_less_well() -> None:
    said = plain(told(days((5, 10), sky="clear_sky")).expected)
    assert "a sky without clouds" in said
    assert "between 8.00 kWh and 12.0 kWh" in said


def test_silence_is_told() -> None:
    known = days((1, 1), (1, 1))
    assert told(known, today=FIRST + timedelta(3)).silent == ""
    assert plain(told(known, today=FIRST + timedelta(4)).silent) == (
        "Nothing has been heard of your roof since Sat 2 May 2026."
    )


def test_a_site_that_never_had_light_has_no_share() -> None:
    assert told([Day(FIRST, 0.0, 0.0, 10.0, "array")]).expected == ""


# The chart


def test_bars_are_on_one_scale_and_read_as_words() -> None:
    drawn = bars(days((5, 10), (2, 2.5)))
    assert drawn is not None
    assert [(bar.made_height, bar.due_height) for bar in drawn.bars] == [(70, 140), (28, 35)]
    assert [(bar.above, bar.below) for bar in drawn.bars] == [("Fr", "1"), ("Sa", "2")]
    assert (
        plain(drawn.alt)
        == "Made, of what was to be expected. Fri 1 May: 5.0 of 10.0 kWh; Sat 2 May: 2.00 of 2.50 kWh."
    )


def test_the_last_fourteen_days_with_gaps_where_nothing_was_heard() -> None:
    known = [*days((9, 9)), *days(*[(1, 1)] * 5, first=FIRST + timedelta(16))]
    drawn = bars(known)
    assert drawn is not None
    assert [bar.made_height for bar in drawn.bars] == [0.0] * 9 + [140.0] * 5


def test_months_once_there_are_some() -> None:
    drawn = bars(days(*[(1.0, 1.25)] * 400))
    assert drawn is not None
    assert len(drawn.bars) == 13
    first, january, last = drawn.bars[0], drawn.bars[7], drawn.bars[-1]
    assert (first.above, first.below, first.name) == ("Jun", "2026", "June 2026")
    assert (january.above, january.below) == ("Jan", "2027")
    assert (last.name, plain(last.made), plain(last.due)) == ("June 2027", "4.00 kWh", "5.00 kWh")
    assert plain(first.made) == "30.0 kWh"


def test_nothing_is_drawn_of_nothing() -> None:
    assert bars([]) is None
    assert bars([Day(FIRST, 0.0, 0.0, 5.0, "array")]) is None


# Shade


def test_shade_is_told_in_energy_and_as_a_share_of_a_year() -> None:
    found = with_findings(
        finding("shaded", sample.DEAD, annual_loss_kwh=200.0),
        finding("shaded", sample.PART, annual_loss_kwh=41.0),
    )
    said = plain(shade(found, SITE))
    assert said.startswith("In a usual year shade takes about 241 kWh, 5 % of what your roof could make")
    assert "half or twice as much" in said


def test_no_shade_is_no_paragraph() -> None:
    assert shade(with_findings(finding("no_output", sample.DEAD, annual_loss_kwh=300.0)), SITE) == ""
    assert shade(with_findings(finding("shaded", sample.DEAD)), SITE) == ""


# Whom to call


def test_phone_is_dialled_without_its_separators() -> None:
    # RFC 3966, section 5.1.1: visual separators do not count; a global number begins with +.
    assert dialled("+44 (1632) 960-417") == "+441632960417"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"firm_name": "Roofers"}, "YIELDPROOF_FIRM_NAME stands alone"),
        ({"firm_phone": "+44 1632 960 417"}, "YIELDPROOF_FIRM_NAME is required"),
        ({"firm_name": "Roofers", "firm_email": "at work"}, "YIELDPROOF_FIRM_EMAIL must be"),
    ],
)
def test_a_firm_that_cannot_be_reached_is_refused_at_the_start(
    settings: Settings, given: dict[str, str], said: str
) -> None:
    with pytest.raises(SettingsError, match=said):
        create_app(settings.model_copy(update=given))
    assert of_firm(settings) is None


def page_of(engine: Engine, settings: Settings, record: dict[str, Any], **firm: str) -> str:
    site_id = add_site(engine, sample.verification(), record={**sample.record(), **record})
    with writing(engine) as session:
        token = sites.make_owner_link(session, session.get_one(Site, site_id))
    with TestClient(create_app(settings.model_copy(update=firm), engine=engine)) as client:
        answer = client.get(f"/owner/{token}")
    assert answer.status_code == 200
    return answer.text


def test_the_sites_contact_comes_before_the_firm(engine: Engine, settings: Settings) -> None:
    firm = {"firm_name": "Brackenridge & Daughters", "firm_email": "roofs@brackenridge.example"}
    page = page_of(engine, settings, {}, **firm)
    assert "Brackenridge &amp; Daughters" in page
    assert 'href="mailto:roofs@brackenridge.example"' in page
    page = page_of(engine, settings, {"contact": {"name": "Ida Quarrie", "phone": "01632 960 418"}}, **firm)
    assert 'href="tel:01632960418">01632 960 418</a>' in page
    assert "Brackenridge" not in page
    assert "Whom to call" not in page_of(engine, settings, {})


def test_page_holds_no_word_of_the_trade(engine: Engine, settings: Settings) -> None:
    text = re.sub(r"<[^>]*>", " ", page_of(engine, settings, {})).lower()
    assert "panels" in text
    for word in (
        "inverter",
        "kwp",
        "performance",
        "substring",
        "ratio",
        "branch",
        "irradia",
        "unit",
        "serial",
    ):
        assert word not in text, word


def test_page_counts_from_commissioning_on(engine: Engine, settings: Settings) -> None:
    site_id = add_site(engine, sample.healthy(), record={**sample.record(), "commissioned_on": "2026-05-08"})
    with writing(engine) as session:
        token = sites.make_owner_link(session, session.get_one(Site, site_id))
        site_days.want(session, site_id, [date(2026, 5, 1), date(2026, 5, 9)])
    with TestClient(create_app(settings, engine=engine)) as client:
        page = plain(client.get(f"/owner/{token}").text)
    assert "since Fri 8 May 2026" in page
    assert "All 3 days were recorded in full." in page
    assert "still being worked out" not in page


def test_contact_is_a_plain_value() -> None:
    assert Contact("R", "+1 23-45", "").tel == "tel:+12345"
