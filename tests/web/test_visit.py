"""Marks from the roof: what somebody says of a unit, with a note and a photo, counted once."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO

import pytest
from fastapi.testclient import TestClient
from PIL import Image
from sqlalchemy import Engine
from sqlmodel import select

from service.store import audit, punch
from service.store.database import reading
from service.store.tables import AuditRow, Photo, PunchEntry, PunchStep
from tests.report import sample
from tests.web.visit import add_person, add_site, assign, sign_in

DEAD = f"unit:{sample.DEAD}"
FINE = f"unit:{sample.site().units[0].serial}"


@pytest.fixture
def site_id(engine: Engine) -> str:
    """A site with one unit silent, one dead, one shaded, one with a substring out."""
    return add_site(engine, sample.verification())


@pytest.fixture
def installer(visitor: TestClient, engine: Engine, site_id: str) -> TestClient:
    """The installer of that site, signed in."""
    return sign_in(visitor, assign(engine, add_person(engine, "installer", "Isko Renn"), site_id))


def _jpeg() -> bytes:
    out = BytesIO()
    Image.new("RGB", (80, 60), "grey").save(out, "JPEG")
    return out.getvalue()


def _send(client: TestClient, site_id: str, subject: str = DEAD, mark: str = "looked_at", **more: str):
    photo = {"photo": ("roof.jpg", _jpeg(), "image/jpeg")} if more.pop("photo", "") else None
    data = {"subject": subject, "mark": mark, "back": f"/sites/{site_id}/van", **more}
    return client.post(f"/sites/{site_id}/mark", data=data, files=photo, follow_redirects=False)


def _held(engine: Engine, site_id: str) -> tuple[list[PunchEntry], list[PunchStep]]:
    with reading(engine) as session:
        return punch.of_site(session, site_id), punch.steps(session, site_id)


def test_a_mark_on_a_unit_with_a_finding_opens_its_entry(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    answer = _send(installer, site_id, note="plug not home", photo="yes")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/sites/{site_id}/van")
    [entry], steps = _held(engine, site_id)
    assert (entry.number, entry.cause, entry.serials, entry.state) == (
        1,
        "no_output",
        [sample.DEAD],
        "looked_at",
    )
    assert entry.finding["evidence"]
    assert entry.before is not None
    assert [u["serial"] for u in entry.before["units"]] == [sample.DEAD]
    assert [(s.what, s.who, s.note) for s in steps] == [
        ("opened", "Isko Renn", ""),
        ("looked_at", "Isko Renn", "plug not home"),
    ]
    with reading(engine) as session:
        noted = [(row.who, row.action) for row in audit.latest(session, site_id=site_id)]
    assert noted == [("Isko Renn", "punch.looked_at"), ("Isko Renn", "punch.opened")]


def test_the_three_marks_lead_up_the_ladder(installer: TestClient, engine: Engine, site_id: str) -> None:
    states = []
    for mark, note in (
        ("looked_at", ""),
        ("left", "no ladder"),
        ("looked_at", ""),
        ("mended", ""),
        ("looked_at", ""),
    ):
        assert _send(installer, site_id, mark=mark, note=note).status_code == 303
        states.append(_held(engine, site_id)[0][0].state)
    assert states == ["looked_at", "left", "looked_at", "said_mended", "said_mended"]


def test_what_is_left_needs_its_reason_and_nothing_is_lost(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    answer = _send(installer, site_id, mark="left", note=" ")
    assert answer.status_code == 422
    assert "say why it is left" in answer.text
    again = _send(installer, site_id, mark="something", note="the ladder <is> short")
    assert again.status_code == 422
    assert "the ladder &lt;is&gt; short" in again.text
    assert _held(engine, site_id) == ([], [])


def test_a_form_sent_twice_counts_once(installer: TestClient, engine: Engine, site_id: str) -> None:
    form = installer.get(f"/sites/{site_id}/mark", params={"subject": DEAD}).text
    nonce = re.findall(r'name="nonce" value="([a-z0-9]+)"', form)[0]
    for _ in range(2):
        assert _send(installer, site_id, nonce=nonce, photo="yes").status_code == 303
    _, steps = _held(engine, site_id)
    assert [s.what for s in steps] == ["opened", "looked_at"]
    with reading(engine) as session:
        assert len(session.exec(select(Photo)).all()) == 1


def test_two_people_who_mark_at_once_share_one_entry(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    cookies = installer.cookies

    def one(n: int) -> int:
        client = TestClient(installer.app, base_url="http://roofs.example", cookies=cookies)
        return _send(client, site_id, mark="mended" if n % 2 else "looked_at", note=f"{n}").status_code

    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(one, range(8))) == {303}
    entries, steps = _held(engine, site_id)
    assert [(e.number, e.state) for e in entries] == [(1, "said_mended")]
    assert [s.step for s in steps] == list(range(1, 10))
    assert sorted(s.note for s in steps if s.note) == [str(n) for n in range(8)]


def test_a_mark_on_a_unit_without_a_finding_is_kept_as_a_note(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    assert _send(installer, site_id, FINE, note="moss at the edge").status_code == 303
    entries, [step] = _held(engine, site_id)
    assert entries == []
    assert (step.number, step.note) == (None, "moss at the edge")
    shown = installer.get(f"/sites/{site_id}/mark", params={"subject": FINE}).text
    assert "moss at the edge" in shown


@pytest.mark.parametrize("subject", ["unit:999", "branch:Z", "", "unit:", "units:abc"])
def test_a_mark_on_nothing_is_refused(
    installer: TestClient, engine: Engine, site_id: str, subject: str
) -> None:
    assert _send(installer, site_id, subject).status_code == 422
    assert _held(engine, site_id) == ([], [])


def test_a_file_that_is_no_photo_is_refused_and_nothing_is_kept(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    answer = installer.post(
        f"/sites/{site_id}/mark",
        data={"subject": DEAD, "mark": "looked_at", "note": "see picture"},
        files={"photo": ("x.heic", b"\0\0\0\x18ftypheic", "image/heic")},
    )
    assert answer.status_code == 422
    assert "HEIC" in answer.text
    assert "see picture" in answer.text
    assert _held(engine, site_id) == ([], [])


def test_a_photo_is_given_to_those_who_see_the_site_only(
    installer: TestClient, engine: Engine, site_id: str
) -> None:
    _send(installer, site_id, photo="yes")
    photo_id = _held(engine, site_id)[1][-1].photo_id
    answer = installer.get(f"/sites/{site_id}/photos/{photo_id}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"].startswith("private")
    assert answer.content[:3] == b"\xff\xd8\xff"
    other = add_site(engine, None, name="Other")
    assert installer.get(f"/sites/{other}/photos/{photo_id}").status_code == 404
    assert installer.get(f"/sites/{site_id}/photos/nosuch").status_code == 404
    sign_in(installer, add_person(engine, "installer", "Somebody Else"))
    assert installer.get(f"/sites/{site_id}/photos/{photo_id}").status_code == 404
    assert _send(installer, site_id).status_code == 404


@pytest.mark.parametrize(
    ("back", "leads_to"),
    [
        ("/sites/{id}/van#u3", "/sites/{id}/van#u3"),
        ("/sites/{id}", "/sites/{id}"),
        ("/punch?page=2", "/punch?page=2"),
        ("/sites/other/van", "/sites/{id}"),
        ("https://elsewhere.example/", "/sites/{id}"),
        ("//elsewhere.example", "/sites/{id}"),
        ("/sites/{id}/../../sign-out", "/sites/{id}"),
        ("", "/sites/{id}"),
    ],
)
def test_the_way_back_leads_to_pages_of_ours_only(
    installer: TestClient, site_id: str, back: str, leads_to: str
) -> None:
    answer = _send(installer, site_id, back=back.format(id=site_id))
    assert answer.headers["location"] == leads_to.format(id=site_id)


def test_a_form_from_elsewhere_is_refused(installer: TestClient, engine: Engine, site_id: str) -> None:
    installer.headers["Origin"] = "https://elsewhere.example"
    assert _send(installer, site_id).status_code == 403
    assert _held(engine, site_id) == ([], [])


def test_all_findings_are_put_on_the_list_once(installer: TestClient, engine: Engine, site_id: str) -> None:
    for _ in range(2):
        answer = installer.post(f"/sites/{site_id}/punch", data={}, follow_redirects=False)
        assert answer.status_code == 303
    entries, _ = _held(engine, site_id)
    faults = [f for f in sample.verification().findings if f.is_fault]
    assert [e.cause for e in entries] == [f.cause for f in faults]
    assert [e.number for e in entries] == list(range(1, len(faults) + 1))
    with reading(engine) as session:
        assert len(session.exec(select(AuditRow).where(AuditRow.action == "punch.opened")).all()) == len(
            faults
        )
