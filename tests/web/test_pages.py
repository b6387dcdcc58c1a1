"""The pages over HTTP: each answers with its sentence, escapes what people typed, and goes out with its headers."""

from __future__ import annotations

import copy
import re
from dataclasses import replace
from html import unescape
from typing import Any
from xml.etree import ElementTree

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.settings import Settings
from service.verify.result import Finding, UnitResult
from service.web.app import create_app
from service.web.pages.headers import POLICY
from tests.report import sample
from tests.web.visit import add_person, add_site, assign, sign_in

pytestmark = pytest.mark.one_database

HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}"


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    """Somebody from the office, signed in."""
    return sign_in(visitor, add_person(engine, "office"))


def text_of(html: str) -> str:
    """Return a page's words without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\xa0", " ")


def heading(html: str) -> str:
    found = re.search(r"<h1>(.*?)</h1>", html, re.DOTALL)
    assert found, "a page without a first heading"
    return text_of(found.group(1)).strip()


# Each page


def test_site_page_answers_first(office: TestClient, engine: Engine) -> None:
    page = office.get(f"/sites/{add_site(engine, sample.verification())}")
    assert page.status_code == 200
    assert heading(page.text) == "Look at 4 of 14 units"
    said = text_of(page.text)
    for part in (
        "1 makes nothing, 1 lost a part of its module, 1 in shade at times and 1 never heard.",
        "13 of 14 units heard from 4 to 10 May 2026",
        "Europe/London",
        "What to do first",
        "Isolate the branch",
        "fall protection",
        "licensed electrician",
        "modelled performance ratio; no accuracy class",
        "almost certain (99 %)",
        "Wed 6 May 2026, 10:48",
    ):
        assert part.lower() in said.lower(), part


def test_site_page_shows_the_plan_by_row_and_column(office: TestClient, engine: Engine) -> None:
    page = office.get(f"/sites/{add_site(engine, sample.verification())}").text
    assert page.count('class="cell') == 14
    assert page.count('class="cell fault"') == 4
    assert page.count('class="made" d="M') == 1 + 13  # the mark of the house, and every unit that was heard
    assert page.count('class="unheard"') == 1


def test_a_day_can_be_chosen_and_a_wrong_one_is_the_mean_day(office: TestClient, engine: Engine) -> None:
    href = f"/sites/{add_site(engine, sample.verification())}"
    assert "Thu 7 May 2026 from 5:00 to 21:00" in text_of(office.get(f"{href}?day=2026-05-07").text)
    for wrong in ("2025-01-01", "x", HOSTILE):
        page = office.get(href, params={"day": wrong})
        assert "mean day from 5:00 to 21:00" in text_of(page.text)
        assert "alert(1)" not in page.text


def test_healthy_site(office: TestClient, engine: Engine) -> None:
    page = office.get(f"/sites/{add_site(engine, sample.healthy())}").text
    assert heading(page) == "All 14 units make what they should"
    assert "Nothing was found" in page
    assert "What to do first" not in page
    assert 'class="cell fault"' not in page


def test_site_without_readings_says_what_to_do_next(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    page = office.get(f"/sites/{site_id}").text
    assert heading(page) == "No readings yet"
    assert f"POST /api/v1/sites/{site_id}/readings" in text_of(page)
    assert page.count('class="cell') == 14
    assert heading(office.get(f"/sites/{site_id}/van").text) == "0 of 14 units heard"
    assert heading(office.get(f"/sites/{site_id}/units/{sample.DEAD}").text) == "No readings yet"
    assert office.get(f"/sites/{site_id}/chart/site.svg").status_code == 404


def test_unit_page(office: TestClient, engine: Engine) -> None:
    href = f"/sites/{add_site(engine, sample.verification())}"
    dead = office.get(f"{href}/units/{sample.DEAD}").text
    assert heading(dead) == "Makes nothing"
    assert "south roof, row 1, column 4, branch circuit A" in text_of(dead)
    assert "116 Wh" in text_of(dead)  # its last day, as a number beside the chart
    assert heading(office.get(f"{href}/units/60418820001").text) == "Makes what it should"
    assert heading(office.get(f"{href}/units/{sample.SILENT}").text) == "Never heard"
    assert office.get(f"{href}/units/none").status_code == 404


def test_a_unit_that_the_window_does_not_cover(office: TestClient, engine: Engine) -> None:
    found = sample.healthy()
    shorter = replace(found, units=tuple(u for u in found.units if u.serial != sample.DEAD))
    page = office.get(f"/sites/{add_site(engine, shorter)}/units/{sample.DEAD}")
    assert heading(page.text) == "Not on the roof in this window"


def test_owner_page_needs_no_sign_in_and_is_hidden(visitor: TestClient, engine: Engine) -> None:
    link = owner_link(visitor, engine, add_site(engine, sample.verification()))
    page = visitor.get(link)
    assert page.status_code == 200
    assert heading(page.text) == "No power comes from one of your 14 panels."
    assert "122 kWh" in text_of(page.text)
    assert page.headers["referrer-policy"] == "no-referrer"
    assert "noindex" in page.headers["x-robots-tag"]
    assert page.headers["cache-control"] == "private, no-store"
    assert 'name="robots" content="noindex' in page.text
    assert not re.findall(r"60418820\d+", page.text)
    assert 'href="/sites' not in page.text


def owner_link(visitor: TestClient, engine: Engine, site_id: str) -> str:
    """Have the office make the link, and return it without anybody signed in."""
    office = sign_in(visitor, add_person(engine, "office", "maker of links"))
    answer = office.post(f"/sites/{site_id}/owner-link")
    visitor.cookies.clear()
    found = re.search(r'value="http://roofs.example(/owner/[\w-]{32,})"', answer.text)
    assert found
    return found.group(1)


def test_owner_link_is_shown_once_replaced_and_taken_back(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.healthy())
    href = f"/sites/{site_id}"
    made = office.post(f"{href}/owner-link", follow_redirects=False)
    assert (made.status_code, made.headers["location"]) == (303, f"{href}#owner")
    first = re.findall(r"/owner/[\w-]{32,}", office.get(href).text)[0]
    assert office.get(first).status_code == 200
    assert "/owner/" not in office.get(href).text.replace("/owner-link", "")
    second = re.findall(r"/owner/[\w-]{32,}", office.post(f"{href}/owner-link").text)[0]
    assert office.get(first).status_code == 404
    assert office.get(second).status_code == 200
    taken = office.post(f"{href}/owner-link/revoke", follow_redirects=False)
    assert taken.status_code == 303
    assert office.get(second).status_code == 404
    assert "cannot be guessed" in office.get(href).text


def test_a_fresh_link_is_not_shown_on_another_site(office: TestClient, engine: Engine) -> None:
    one, other = add_site(engine, None, name="One"), add_site(engine, None, name="Other")
    office.post(f"/sites/{one}/owner-link", follow_redirects=False)
    assert "/owner/" not in office.get(f"/sites/{other}").text.replace("/owner-link", "")


def test_installer_makes_no_owner_link(visitor: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    installer = sign_in(visitor, assign(engine, add_person(engine, "installer"), site_id))
    assert "owner-link" not in installer.get(f"/sites/{site_id}").text
    refused = installer.post(f"/sites/{site_id}/owner-link")
    assert refused.status_code == 403
    assert heading(refused.text) == "This is not open to you"
    assert installer.post(f"/sites/{site_id}/owner-link/revoke").status_code == 403


@pytest.mark.parametrize("action", ["owner-link", "owner-link/revoke"])
def test_owner_link_of_no_site(office: TestClient, action: str) -> None:
    assert office.post(f"/sites/none/{action}").status_code == 404


# The list


def test_list_is_worst_first(office: TestClient, engine: Engine) -> None:
    add_site(engine, sample.healthy(), name="Fine")
    add_site(engine, None, name="Bare")
    add_site(engine, sample.verification(), name="Lossy")
    silent = replace(sample.healthy(), verdict="attention")
    gone = tuple(replace(u, measured_wh=None, heard_share=0.0) if u.rank == 1 else u for u in silent.units)
    add_site(engine, replace(silent, units=gone), name="Silent")
    page = office.get("/").text
    assert heading(page) == "Look at 2 of 4 sites"
    assert re.findall(r'<th scope="row"><a [^>]+>(\w+)', page) == ["Lossy", "Silent", "Bare", "Fine"]
    said = text_of(page)
    assert "13 of 14" in said
    assert "1.60 kWh" in said
    assert "4 to 10 May 2026" in said


def test_list_is_searched_by_name(office: TestClient, engine: Engine) -> None:
    for name in ("Mill Lane", "Old mill", "100 % Solar", "Quarry"):
        add_site(engine, None, name=name)

    def names(query: str) -> list[str]:
        return sorted(
            re.findall(r'<th scope="row"><a [^>]+>([^<]+)', office.get("/", params={"q": query}).text)
        )

    assert names("MILL") == ["Mill Lane", "Old mill"]
    assert names("%") == ["100 % Solar"]
    assert names("_") == []
    assert heading(office.get("/", params={"q": HOSTILE}).text) == "No such site"


def test_list_is_paged(office: TestClient, engine: Engine) -> None:
    for number in range(30):
        add_site(engine, None, name=f"Terrace {number:02d}")
    first, second = office.get("/").text, office.get("/?page=2").text
    assert (first.count('<th scope="row">'), second.count('<th scope="row">')) == (25, 5)
    assert 'href="/?week=all&amp;page=2"' in first
    assert 'href="/?week=all"' in second
    assert office.get("/?page=3").status_code == 200
    assert office.get("/?page=0").status_code == 422
    assert office.get("/?page=x").headers["content-type"].startswith("text/html")


def test_no_sites_yet(office: TestClient) -> None:
    page = office.get("/").text
    assert heading(page) == "No sites yet"
    assert "POST /api/v1/sites" in page


def test_installers_list_leads_to_the_short_pages(visitor: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    other = add_site(engine, None, name="Another's roof")
    page = sign_in(visitor, assign(engine, add_person(engine, "installer"), site_id)).get("/").text
    assert f'href="/sites/{site_id}/van"' in page
    assert other not in page


def test_installer_without_sites_is_told_whom_to_ask(visitor: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, None)
    add_person(engine, "office", "Ida Quarrie")
    stranger = sign_in(visitor, add_person(engine, "installer"))
    page = stranger.get("/").text
    assert heading(page) == "No sites yet"
    assert "Ask the office, which assigns them: Ida Quarrie." in text_of(page)
    assert "POST /api" not in page
    for path in ("", "/van", "/units/1", "/chart/site.svg"):
        assert stranger.get(f"/sites/{site_id}{path}").status_code == 404


# What people typed


@pytest.fixture
def hostile(engine: Engine) -> str:
    record: Any = copy.deepcopy(sample.record())
    for plane in record["planes"]:
        plane["name"] += HOSTILE
    for part in ("module_types", "inverter_types"):
        record[part][0]["name"] = HOSTILE
    for unit in record["units"]:
        unit["plane"] += HOSTILE
        unit["serial"] += HOSTILE
        unit["branch"] = HOSTILE
        unit["module_type"] = unit["inverter_type"] = HOSTILE
    found = sample.verification()
    assert found.curves is not None
    curves = replace(
        found.curves,
        measured_wh={s + HOSTILE: v for s, v in found.curves.measured_wh.items()},
        expected_wh={s + HOSTILE: v for s, v in found.curves.expected_wh.items()},
    )
    units = tuple(_hostile_unit(unit) for unit in found.units)
    findings = tuple(_hostile_finding(finding) for finding in found.findings)
    changed = replace(found, curves=curves, units=units, findings=findings)
    return add_site(engine, changed, name=HOSTILE, record=record)


def _hostile_unit(unit: UnitResult) -> UnitResult:
    return replace(unit, serial=unit.serial + HOSTILE, plane=unit.plane + HOSTILE, branch=HOSTILE)


def _hostile_finding(finding: Finding) -> Finding:
    serials = tuple(s + HOSTILE for s in finding.serials)
    return replace(finding, serials=serials, evidence=HOSTILE, advice=HOSTILE, plane=HOSTILE, branch=HOSTILE)


def test_hostile_names_stay_text(office: TestClient, hostile: str) -> None:
    site = office.get(f"/sites/{hostile}").text
    unit_path = next(h for h in re.findall(r'class="cell fault" href="([^"]+)"', site) if sample.DEAD in h)
    pages = [office.get(p).text for p in ("/", f"/sites/{hostile}/van", unescape(unit_path))]
    for page in (site, *pages):
        assert "alert(1)" in page
        assert not re.search(r"<script(?! type=\"module\" src=\"/static/)", page)
        assert "{{7*7}}" in unescape(page)
        assert "49" not in re.findall(r"&amp;(\d+)", page)
    assert heading(pages[-1]) == "Makes nothing"
    chart = re.findall(r'<img class="chart" src="([^"]+)"', pages[-1])[0]
    assert ElementTree.fromstring(office.get(unescape(chart)).text).tag.endswith("svg")  # noqa: S314 - our own chart


@pytest.mark.parametrize("serial", ["60418820004/2", "a b#c?d&e", "50%", "unit:7;x", "/leading", "ünït"])
def test_any_serial_has_a_page_and_a_chart(office: TestClient, engine: Engine, serial: str) -> None:
    record: Any = copy.deepcopy(sample.record())
    record["units"][3]["serial"] = serial
    found = sample.verification()
    assert found.curves is not None
    renamed = {sample.DEAD: serial}
    curves = replace(
        found.curves,
        measured_wh={renamed.get(s, s): v for s, v in found.curves.measured_wh.items()},
        expected_wh={renamed.get(s, s): v for s, v in found.curves.expected_wh.items()},
    )
    units = tuple(replace(u, serial=renamed.get(u.serial, u.serial)) for u in found.units)
    site = office.get(
        f"/sites/{add_site(engine, replace(found, units=units, curves=curves), record=record)}"
    ).text
    cells = re.findall(r'class="cell fault" href="([^"]+)"', site)
    page = office.get(unescape(cells[0]))
    assert page.status_code == 200
    assert serial in unescape(page.text)
    chart = office.get(unescape(re.findall(r'<img class="chart" src="([^"]+)"', page.text)[0]))
    assert chart.headers["content-type"] == "image/svg+xml"
    assert "116 of 673" in chart.text.replace("\xa0", " ")


# Headers, files and errors


def test_every_page_goes_out_with_a_strict_policy(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.verification())
    paths = (
        "/",
        f"/sites/{site_id}",
        f"/sites/{site_id}/van",
        "/sign-in",
        "/nothing",
        f"/sites/{site_id}/chart/site.svg",
    )
    for path in paths:
        headers = office.get(path, follow_redirects=False).headers
        assert headers["content-security-policy"] == POLICY, path
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "same-origin"
    assert "unsafe" not in POLICY


def test_pages_hold_nothing_that_the_policy_blocks(office: TestClient, engine: Engine) -> None:
    site_id = add_site(engine, sample.verification())
    owner = re.findall(r"/owner/[\w-]{32,}", office.post(f"/sites/{site_id}/owner-link").text)[0]
    unit = f"/sites/{site_id}/units/{sample.DEAD}"
    for path in ("/", f"/sites/{site_id}", unit, f"/sites/{site_id}/van", owner):
        page = office.get(path).text
        inline = r"\sstyle=|<style|<script(?! type=\"module\" src=\"/static/)|\son\w+=|javascript:"
        assert not re.search(inline, page), path
        loaded = re.findall(r'(?:src|srcset|href)="(https?:)?//', page)
        assert not loaded or path == owner, path


def test_machine_paths_keep_their_own_headers(visitor: TestClient) -> None:
    assert "content-security-policy" not in visitor.get("/healthz").headers
    assert "content-security-policy" not in visitor.get("/api/v1/sites").headers


@pytest.mark.parametrize("path", ["/nothing", "/sites/none/nothing", "/owner/x", "/static/none.css"])
def test_what_is_not_there_is_a_page(visitor: TestClient, path: str) -> None:
    answer = visitor.get(path)
    assert answer.status_code == 404
    assert heading(answer.text) == "There is nothing here"
    assert 'href="/"' in answer.text


def test_no_such_site(office: TestClient) -> None:
    for path in ("/sites/none", "/sites/none/van", "/sites/none/units/1", "/sites/none/chart/site.svg"):
        assert office.get(path).status_code == 404


def test_wrong_method_is_a_page(visitor: TestClient) -> None:
    answer = visitor.post("/")
    assert answer.status_code == 405
    assert answer.headers["allow"]
    assert heading(answer.text) == "That does not work here"


def test_api_errors_stay_the_apis(client: TestClient) -> None:
    answer = client.get("/api/v1/sites/none")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("application/problem+json")


def test_an_error_of_ours_is_a_page_without_details(
    settings: Settings, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr("service.web.pages.lookup.current", broken)
    with TestClient(create_app(settings, engine=engine), raise_server_exceptions=False) as client:
        site_id = add_site(engine, None)
        answer = sign_in(client, add_person(engine, "office")).get(f"/sites/{site_id}")
    assert answer.status_code == 500
    assert heading(answer.text) == "Something went wrong on our side"
    assert "secret detail" not in answer.text
    assert answer.headers["content-security-policy"] == POLICY


def test_own_files_are_kept_by_their_digest(visitor: TestClient) -> None:
    page = visitor.get("/sign-in").text
    named = re.findall(r'"(/static/[^"]+)"', page)
    assert len(named) == 2
    for path in named:
        answer = visitor.get(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
        assert "immutable" not in visitor.get(path.partition("?")[0]).headers["cache-control"]


def test_chart_is_asked_for_again_by_its_version(office: TestClient, engine: Engine) -> None:
    path = f"/sites/{add_site(engine, sample.verification())}/chart/site.svg"
    first = office.get(path)
    again = office.get(path, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    narrow = office.get(f"{path}?look=narrow", headers={"If-None-Match": first.headers["etag"]})
    assert narrow.status_code == 200
    assert office.get(f"{path}?look=round").status_code == 422
