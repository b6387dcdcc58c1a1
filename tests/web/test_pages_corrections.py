"""Corrections on the pages: proposed in words, accepted by the office with a click, undone with another."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.jobs.codec import to_json
from service.jobs.verification import MADE_BY, summary
from service.settings import Settings
from service.store import sites, verifications
from service.store.corrections import fingerprint
from service.store.database import reading, writing
from service.store.tables import Site
from service.verify.result import Finding, Verification
from service.web.app import create_app
from tests.report import sample
from tests.web.test_pages import HOSTILE, heading, text_of
from tests.web.visit import add_person, add_site, assign, sign_in

pytestmark = pytest.mark.one_database

A, B, STRANGER = "60418820002", "60418820012", "60418820031"
TURNED = {"kind": "plane", "plane": "east dormer", "azimuth_deg": 131.37, "tilt_deg": 24.8}
MOVED = {"kind": "move", "serial": A, "plane": "east dormer"}
SWAPPED = {"kind": "swap", "serials": [A, B]}
RENAMED = {"kind": "serial", "recorded": sample.SILENT, "heard": STRANGER}
LATE = {
    "kind": "clock",
    "changes": [{"from": None, "minutes": 60}, {"from": "2026-05-06T12:00:00Z", "minutes": -5}],
}
WORDS = [
    (TURNED, "Roof plane east dormer: azimuth 95°, tilt 30° → azimuth 131.4°, tilt 24.8°"),
    (
        MOVED,
        f"Unit {A}: south roof, row 1, column 2, branch circuit A → "
        "east dormer, row and column not on the record, branch circuit A",
    ),
    (
        SWAPPED,
        f"Unit {A}: south roof, row 1, column 2, branch circuit A → east dormer, row 1, column 2, branch circuit B",
    ),
    (RENAMED, f"Serial: {sample.SILENT} → {STRANGER}"),
    (
        LATE,
        "Clock of the readings: taken as right → 60 min late from the first reading on, "
        "then 5 min early from Wed 6 May 2026, 13:00 on",
    ),
]
PROPOSED = "Proposed correction of the record"


class _Jobs:
    def __init__(self) -> None:
        self.asked: list[str] = []

    def enqueue_verify(self, site_id: str) -> None:
        self.asked.append(site_id)


@pytest.fixture
def jobs() -> _Jobs:
    return _Jobs()


@pytest.fixture
def visitor(settings: Settings, engine: Engine, jobs: _Jobs) -> Iterator[TestClient]:
    """Somebody with a browser who has not signed in."""
    app = create_app(settings, engine=engine, jobs=jobs)
    with TestClient(app, base_url="http://roofs.example") as client:
        yield client


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    """Somebody from the office, signed in."""
    return sign_in(visitor, add_person(engine, "office"))


def _verification(*sent: dict[str, Any]) -> Verification:
    found = [
        Finding("wrong_plane", (A,), 0.9, f"evidence {i}", f"advice {i}", details={"correction": one})
        for i, one in enumerate(sent)
    ]
    return replace(sample.verification(), findings=tuple(found))


def _site(engine: Engine, *sent: dict[str, Any]) -> str:
    """Keep a site whose verification, which stays current, proposes these corrections."""
    found = _verification(*sent)
    site_id = add_site(engine, found)
    with writing(engine) as session:
        verifications.save(
            session,
            site_id,
            sites.DEFAULT_WINDOW,
            99,
            to_json(found),
            made_by=MADE_BY,
            summary=summary(found),
        )
    return site_id


def _record(engine: Engine, site_id: str) -> dict[str, Any]:
    with reading(engine) as session:
        return session.get_one(Site, site_id).record


def _click(engine: Engine, site_id: str, sent: Any) -> dict[str, str]:
    """Return what the form on the page sends."""
    return {"correction": json.dumps(sent), "on": fingerprint(_record(engine, site_id))}


@pytest.mark.parametrize(("sent", "said"), WORDS, ids=lambda v: v["kind"] if isinstance(v, dict) else "")
def test_a_proposal_is_said_from_old_to_new(
    office: TestClient, engine: Engine, sent: dict[str, Any], said: str
) -> None:
    site_id = _site(engine, sent)
    page = office.get(f"/sites/{site_id}").text
    assert f"{PROPOSED}: {said}" in text_of(page).replace(" : ", ": ")
    first_and_among_the_findings = 2
    assert page.count("Correct the record</button>") == first_and_among_the_findings
    office.post(f"/sites/{site_id}/corrections", data=_click(engine, site_id, sent))
    assert said in text_of(office.get(f"/sites/{site_id}").text)


def test_a_proposal_stands_on_the_units_own_page_too(office: TestClient, engine: Engine) -> None:
    site_id = _site(engine, MOVED)
    assert "Correct the record</button>" in office.get(f"/sites/{site_id}/units/{A}").text
    assert PROPOSED not in office.get(f"/sites/{site_id}/units/{sample.DEAD}").text


def test_accepting_leads_to_what_changed_and_undo(office: TestClient, engine: Engine, jobs: _Jobs) -> None:
    site_id = _site(engine, TURNED)
    before = _record(engine, site_id)
    href = f"/sites/{site_id}"
    clicked = office.post(f"{href}/corrections", data=_click(engine, site_id, TURNED), follow_redirects=False)
    assert (clicked.status_code, clicked.headers["location"]) == (303, f"{href}#corrections")
    assert _record(engine, site_id)["planes"][1]["azimuth_deg"] == 131.37
    page = office.get(href).text
    said = text_of(page)
    assert "The record is corrected, and the site is verified anew with it." in said
    assert "Accepted by office person," in said
    assert PROPOSED not in said, "the record says it already"
    assert "The record is corrected" not in office.get(href).text, "said once"

    undo = f"{href}/corrections/1/undo"
    assert f'action="{undo}"' in page
    clicked = office.post(undo, follow_redirects=False)
    assert (clicked.status_code, clicked.headers["location"]) == (303, f"{href}#corrections")
    assert _record(engine, site_id) == before
    page = office.get(href).text
    assert "The record is as it was before the correction" in text_of(page)
    assert "Undone by office person," in text_of(page)
    assert f'action="{undo}"' not in page
    assert PROPOSED in page
    assert jobs.asked == [site_id] * 2


def test_a_second_click_does_nothing_more(office: TestClient, engine: Engine, jobs: _Jobs) -> None:
    site_id = _site(engine, SWAPPED)
    click = _click(engine, site_id, SWAPPED)
    for _ in range(2):
        page = office.post(f"/sites/{site_id}/corrections", data=click)
        assert "The record is corrected" in page.text
    assert _record(engine, site_id)["units"][1]["plane"] == "east dormer"
    for _ in range(2):
        assert "as it was before" in office.post(f"/sites/{site_id}/corrections/1/undo").text
    assert jobs.asked == [site_id] * 2


def _changed_meanwhile(engine: Engine, site_id: str, **changes: Any) -> dict[str, Any]:
    with writing(engine) as session:
        site = session.get_one(Site, site_id)
        return sites.replace(session, site, {**site.record, **changes}).record


def test_a_stale_page_changes_nothing_and_says_so(office: TestClient, engine: Engine, jobs: _Jobs) -> None:
    site_id = _site(engine, TURNED)
    click = _click(engine, site_id, TURNED)
    now = _changed_meanwhile(engine, site_id, name="Kiln Barn")
    page = office.post(f"/sites/{site_id}/corrections", data=click)
    assert "Nothing was changed. The record was changed after this correction was shown" in text_of(page.text)
    assert _record(engine, site_id) == now
    assert jobs.asked == []


def test_undo_after_another_change_says_why_not(office: TestClient, engine: Engine) -> None:
    site_id = _site(engine, TURNED)
    office.post(f"/sites/{site_id}/corrections", data=_click(engine, site_id, TURNED))
    now = _changed_meanwhile(engine, site_id, name="Kiln Barn")
    page = office.post(f"/sites/{site_id}/corrections/1/undo").text
    assert "Nothing was changed. The record was changed after this correction" in text_of(page)
    assert "/undo" not in page
    assert _record(engine, site_id) == now


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({**TURNED, "plane": "garage"}, "correction.plane is not on the record as it is now"),
        ({"kind": "x"}, "correction.kind must be one of plane, move, swap, serial, clock"),
    ],
)
def test_what_does_not_fit_says_so(
    office: TestClient, engine: Engine, sent: dict[str, Any], said: str
) -> None:
    site_id = _site(engine, sent)
    assert PROPOSED not in office.get(f"/sites/{site_id}").text, "not offered in the first place"
    before = _record(engine, site_id)
    page = office.post(f"/sites/{site_id}/corrections", data=_click(engine, site_id, sent))
    assert f"Nothing was changed, for this does not fit: {said}" in text_of(page.text)
    assert _record(engine, site_id) == before


@pytest.mark.parametrize("correction", ["", "[", "\ud800".encode("utf-8", "surrogatepass"), HOSTILE])
def test_a_form_that_holds_no_correction(office: TestClient, engine: Engine, correction: Any) -> None:
    site_id = _site(engine)
    page = office.post(f"/sites/{site_id}/corrections", data={"correction": correction})
    assert page.status_code == 200
    assert "Nothing was changed" in page.text
    assert "alert(1)" not in page.text


def test_what_people_named_is_escaped(office: TestClient, engine: Engine) -> None:
    record = sample.record()
    record["planes"][0]["name"] = HOSTILE  # type: ignore[index]
    for unit in record["units"][:10]:  # type: ignore[index]
        unit["plane"] = HOSTILE
    found = _verification({**TURNED, "plane": HOSTILE})
    site_id = add_site(engine, found, record=record)
    page = office.get(f"/sites/{site_id}").text
    assert PROPOSED in page
    assert "<script>alert" not in page


def test_installer_reads_what_is_proposed_and_changes_nothing(visitor: TestClient, engine: Engine) -> None:
    site_id = _site(engine, TURNED)
    before = _record(engine, site_id)
    installer = sign_in(visitor, assign(engine, add_person(engine, "installer"), site_id))
    page = installer.get(f"/sites/{site_id}").text
    assert PROPOSED in page
    assert "The office can accept it." in page
    assert "/corrections" not in page
    refused = installer.post(f"/sites/{site_id}/corrections", data=_click(engine, site_id, TURNED))
    assert (refused.status_code, heading(refused.text)) == (403, "This is not open to you")
    assert installer.post(f"/sites/{site_id}/corrections/1/undo").status_code == 403
    assert _record(engine, site_id) == before


@pytest.mark.parametrize("action", ["corrections", "corrections/1/undo"])
def test_forms_of_other_pages_and_strangers_change_nothing(
    visitor: TestClient, engine: Engine, action: str
) -> None:
    site_id = _site(engine, TURNED)
    click = _click(engine, site_id, TURNED)
    away = visitor.post(f"/sites/{site_id}/{action}", data=click, follow_redirects=False)
    assert (away.status_code, away.headers["location"]) == (303, "/sign-in")
    sign_in(visitor, add_person(engine, "office"))
    for headers in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert visitor.post(f"/sites/{site_id}/{action}", data=click, headers=headers).status_code == 403
    assert "correction" not in json.dumps(_record(engine, site_id))
    assert _record(engine, site_id)["planes"][1]["azimuth_deg"] == 95


@pytest.mark.parametrize("action", ["corrections", "corrections/1/undo"])
def test_no_such_site(office: TestClient, action: str) -> None:
    assert office.post(f"/sites/none/{action}", data={"correction": json.dumps(TURNED)}).status_code == 404


def test_no_such_correction(office: TestClient, engine: Engine) -> None:
    site_id = _site(engine, TURNED)
    assert office.post(f"/sites/{site_id}/corrections/1/undo").status_code == 404
    assert office.post(f"/sites/{site_id}/corrections/x/undo").status_code == 422


def test_a_message_is_not_shown_on_another_site(office: TestClient, engine: Engine) -> None:
    one, other = _site(engine, TURNED), _site(engine, TURNED)
    office.post(f"/sites/{one}/corrections", data=_click(engine, one, TURNED), follow_redirects=False)
    assert "The record is corrected" not in office.get(f"/sites/{other}").text
