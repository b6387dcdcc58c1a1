"""The punch list as pages, as a table and for programs: who, what, done when; and a unit that is replaced."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import StringIO

import numpy as np
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine
from sqlmodel import select

from service.jobs.punch_list import kept_sentence, put_on_list
from service.store import accounts, punch, readings, sites
from service.store.database import reading, writing
from service.store.readings import Samples
from service.store.tables import Site, User
from service.verify.result import Finding
from service.verify.sentence import Sentence, sentence
from tests.report import sample
from tests.web.visit import add_person, add_site, assign, sign_in

DEAD = f"unit:{sample.DEAD}"
PROOF = {
    "outcome": "mended",
    "window": "after",
    "after": {"units": [{"serial": sample.DEAD, "index": 0.981, "low": 0.951, "high": 1.012}]},
}


@pytest.fixture
def site_id(engine: Engine) -> str:
    """A site with four faults."""
    return add_site(engine, sample.verification())


@pytest.fixture
def office(visitor: TestClient, engine: Engine, site_id: str) -> TestClient:
    """Somebody from the office, signed in, and the list with all findings on it; an installer has the site."""
    assign(engine, add_person(engine, "installer", "Isko Renn"), site_id)
    sign_in(visitor, add_person(engine, "office", "Maud Tolliver"))
    assert visitor.post(f"/sites/{site_id}/punch").status_code == 200
    return visitor


def _id_of(engine: Engine, name: str) -> str:
    with reading(engine) as session:
        return str(session.exec(select(User.id).where(User.name == name)).one())


def _number(engine: Engine, site_id: str, subject: str = DEAD) -> int:
    with reading(engine) as session:
        entry = punch.last_of(session, site_id, subject)
        assert entry is not None
        return entry.number


def _give(office: TestClient, engine: Engine, site_id: str, to: str, due_on: str):
    number = _number(engine, site_id)
    data = {"to": to, "due_on": due_on}
    return office.post(f"/sites/{site_id}/punch/{number}/give", data=data, follow_redirects=False)


def test_the_list_says_what_where_and_what_to_look_at_first(office: TestClient, site_id: str) -> None:
    page = office.get(f"/sites/{site_id}/punch").text
    assert "4 things to do" in page
    for finding in sample.verification().findings:
        if finding.is_fault:
            assert finding.evidence in page
            assert finding.advice in page
    assert "not looked at yet" in page


def test_what_was_found_is_kept_with_the_parts_of_its_sentences(engine: Engine) -> None:
    told = sentence("Heard, but no energy for %(long)s.", long="2 h")
    [finding, *_] = [f for f in sample.verification().findings if sample.DEAD in f.serials]
    found = replace(sample.verification(), findings=(replace(finding, evidence=told),))
    site_id = add_site(engine, found, name="Sentence House")
    put_on_list(engine, site_id, found, by="Maud Tolliver")
    with reading(engine) as session:
        [entry] = punch.of_site(session, site_id)
    kept = kept_sentence(entry, "evidence")
    assert kept == told == "Heard, but no energy for 2 h."
    assert isinstance(kept, Sentence)
    assert kept.parts == told.parts


def test_an_entry_is_given_to_somebody_until_a_day_and_the_history_tells(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    assert _give(office, engine, site_id, _id_of(engine, "Isko Renn"), "2026-05-20").status_code == 303
    page = office.get(f"/sites/{site_id}/punch").text
    assert "to Isko Renn, until Wed" in page
    with reading(engine) as session:
        entry = punch.find(session, site_id, _number(engine, site_id))
        assert entry is not None
        assert entry.due_on == date(2026, 5, 20)
    assert _give(office, engine, site_id, "", "").status_code == 303
    assert "to nobody" in office.get(f"/sites/{site_id}/punch").text


@pytest.mark.parametrize(
    ("to", "due_on", "said"), [("", "20.5.2026", "year-month-day"), ("999999", "", "cannot see this site")]
)
def test_what_cannot_be_given_is_said(
    office: TestClient, engine: Engine, site_id: str, to: str, due_on: str, said: str
) -> None:
    answer = _give(office, engine, site_id, to, due_on)
    assert answer.status_code == 422
    assert said in answer.text


def test_an_installer_sees_the_list_and_gives_nothing(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    sign_in(office, assign(engine, add_person(engine, "installer", "Ana Ribeiro"), site_id))
    assert "4 things to do" in office.get(f"/sites/{site_id}/punch").text
    assert _give(office, engine, site_id, "", "").status_code == 403


def _close(engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        sites.held(session, site_id)
        entry = punch.last_of(session, site_id, DEAD)
        assert entry is not None
        punch.mark(session, entry, punch.Done("mended", "Isko Renn"))
        first = {"serial": sample.DEAD, "index": 0.03, "low": 0.02, "high": 0.05}
        entry.before = {"units": [first]}
        told = {"before": first, "after": PROOF["after"]["units"][0]}
        punch.prove(session, entry, PROOF, punch.Done("closed", "the readings", details=told))


def test_a_closed_entry_shows_both_indices_with_their_bands(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    _close(engine, site_id)
    page = office.get(f"/sites/{site_id}/punch").text
    assert "3 things to do" in page
    assert "Performance index 0.03 (0.02 to 0.05) → 0.98 (0.95 to 1.01)." in page
    assert "performance index 0.03 (0.02 to 0.05) → 0.98 (0.95 to 1.01)" in page  # in the history, too
    [answer] = [e for e in _api(office, engine, site_id) if e["state"] == "closed"]
    assert answer["before"]["performance_index_high"] == 0.05
    assert answer["after"]["performance_index"] == 0.981
    assert [s["what"] for s in answer["history"]] == ["opened", "mended", "closed"]


def _api(client: TestClient, engine: Engine, site_id: str) -> list[dict]:
    with writing(engine) as session:
        token = accounts.create_token(session, "reader", read_only=True)
    answer = client.get(f"/api/v1/sites/{site_id}/punch", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200
    return answer.json()["entries"]


def test_the_list_of_all_sites_puts_what_is_due_first_and_filters(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    other = add_site(engine, sample.verification(), name="Weaver's Yard")
    office.post(f"/sites/{other}/punch")
    _give(office, engine, site_id, _id_of(engine, "Isko Renn"), "2020-05-20")
    page = office.get("/punch").text
    assert "8 things to do" in page
    assert page.index("Isko Renn</td>") < page.index("nobody yet")
    assert "<strong>late</strong>" in page
    own = office.get("/punch", params={"who": _id_of(engine, "Isko Renn")}).text
    assert "1 thing to do" in own
    assert "Weaver" not in own
    _close(engine, site_id)
    closed = office.get("/punch", params={"state": "closed"}).text
    assert "1 entry" in closed
    assert "7 things to do" in office.get("/punch").text


def test_an_installer_sees_entries_of_the_own_sites_only(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    other = add_site(engine, sample.verification(), name="Weaver Yard")
    office.post(f"/sites/{other}/punch")
    sign_in(office, assign(engine, add_person(engine, "installer", "Ana Ribeiro"), site_id))
    for path in ("/punch", "/punch.csv"):
        shown = office.get(path).text
        assert "Kiln Cottage" in shown
        assert "Weaver Yard" not in shown


def test_the_table_holds_every_entry_and_no_formula(office: TestClient, site_id: str) -> None:
    data = {"subject": DEAD, "mark": "left", "note": '=HYPERLINK("http://elsewhere.example")'}
    office.post(f"/sites/{site_id}/mark", data=data)
    answer = office.get("/punch.csv", params={"state": "all"})
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(StringIO(answer.text)))
    assert [row["number"] for row in sorted(rows, key=lambda r: int(r["number"]))] == ["1", "2", "3", "4"]
    [left] = [row for row in rows if row["state"] == "left"]
    assert left["reason"].startswith("'=")


def test_pages_of_fifty(office: TestClient, engine: Engine, site_id: str) -> None:
    with writing(engine) as session:
        sites.held(session, site_id)
        for n in range(60):
            new = punch.New(f"unit:{n}", "low_output", (str(n),), {}, float(n), "x")
            punch.open_entry(session, site_id, new, "Maud Tolliver")
    first, second = (office.get("/punch", params={"page": n}).text for n in (1, 2))
    assert "Page 1 of 2" in first
    assert first.count("<tr>") == 51
    assert second.count("<tr>") == 15


# A unit that is replaced

NEW = "70500010001"


def _replace(client: TestClient, site_id: str, **changed: str):
    today = datetime.now(UTC).date().isoformat()
    data = {"old": sample.DEAD, "new": NEW, "day": today, **changed}
    return client.post(f"/sites/{site_id}/replace", data=data, follow_redirects=False)


def _record(engine: Engine, site_id: str) -> dict:
    with reading(engine) as session:
        return session.get_one(Site, site_id).record


def test_a_replaced_unit_keeps_its_place_and_its_entry(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    answer = _replace(office, site_id, note="burnt connector")
    assert answer.headers["location"] == f"/sites/{site_id}/units/{NEW}"
    units = {u["serial"]: u for u in _record(engine, site_id)["units"]}
    today = datetime.now(UTC).date().isoformat()
    assert (units[sample.DEAD]["until"], units[NEW]["from"], units[NEW]["until"]) == (today, today, None)
    place = ("plane", "row", "column", "branch", "module_type", "inverter_type")
    assert [units[NEW][name] for name in place] == [units[sample.DEAD][name] for name in place]
    with reading(engine) as session:
        entry = punch.last_of(session, site_id, f"unit:{NEW}")
        assert entry is not None
        assert (entry.state, entry.serials, punch.last_of(session, site_id, DEAD)) == (
            "said_mended",
            [NEW],
            None,
        )
        last = punch.steps(session, site_id)[-1]
    assert (last.what, last.note, last.details["old"], last.details["new"]) == (
        "replaced", "burnt connector", sample.DEAD, NEW,
    )  # fmt: skip


def test_both_units_have_their_page_and_name_each_other(office: TestClient, site_id: str) -> None:
    _replace(office, site_id)
    for serial, other in ((sample.DEAD, NEW), (NEW, sample.DEAD)):
        page = office.get(f"/sites/{site_id}/units/{serial}")
        assert page.status_code == 200
        assert other in page.text


def test_the_replacement_form_sent_twice_counts_once(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    for _ in range(2):
        assert _replace(office, site_id, nonce="abc").status_code == 303
    assert len(_record(engine, site_id)["units"]) == 15


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"old": "999"}, "is not on the roof by the record"),
        ({"new": ""}, "is required"),
        ({"new": sample.SILENT}, "is on the record already"),
        ({"new": f"{sample.SILENT}/2"}, "is on the record already"),
        ({"day": "20.5.2026"}, "must be a date"),
        ({"day": "2099-01-01"}, "lies ahead"),
        ({"inverter_type": "unheard of"}, "names none of the record"),
        ({"new": "a\tb"}, "printable"),
    ],
)
def test_what_cannot_be_replaced_is_said_and_what_was_typed_stays(
    office: TestClient, engine: Engine, site_id: str, changed: dict[str, str], said: str
) -> None:
    before = _record(engine, site_id)
    answer = _replace(office, site_id, note="burnt <connector>", **changed)
    assert answer.status_code == 422
    assert said in answer.text
    assert "burnt &lt;connector&gt;" in answer.text
    assert _record(engine, site_id) == before


def test_a_day_that_the_readings_contradict_is_refused(
    office: TestClient, engine: Engine, site_id: str
) -> None:
    noon = datetime(2026, 5, 10, 12, tzinfo=UTC)
    with writing(engine) as session:
        for serial, at in ((sample.DEAD, noon), (NEW, noon - timedelta(days=5))):
            start = int(at.timestamp())
            readings.write(
                session, site_id, [Samples(serial, "energy_wh", 5, np.array([start]), np.array([1.0]))]
            )
    assert "heard until 2026-05-10" in _replace(office, site_id, day="2026-05-06").text
    assert "heard from 2026-05-05 on" in _replace(office, site_id, day="2026-05-10").text


def test_a_serial_of_another_site_is_refused(office: TestClient, engine: Engine, site_id: str) -> None:
    record = sample.record()
    record["units"] = [{**record["units"][0], "serial": NEW}]
    add_site(engine, None, name="Weaver Yard", record=record)
    answer = _replace(office, site_id)
    assert answer.status_code == 422
    assert "another site" in answer.text
    assert "Weaver" not in answer.text


def test_a_serial_that_is_heard_already_is_offered(office: TestClient, engine: Engine) -> None:
    stranger = Finding("not_on_record", (NEW,), 0.99, "evidence", "advice")
    found = sample.verification()
    found = replace(found, findings=(*found.findings, stranger))
    other = add_site(engine, found, name="Stranger House")
    page = office.get(f"/sites/{other}/replace", params={"old": sample.DEAD}).text
    assert f'<option value="{NEW}">' in page


def test_the_sites_page_puts_one_finding_on_the_list_and_then_says_how_it_stands(
    visitor: TestClient, engine: Engine, site_id: str
) -> None:
    sign_in(visitor, add_person(engine, "office", "Maud Tolliver"))
    shown = visitor.get(f"/sites/{site_id}").text
    assert shown.count("Put on the punch list</button>") == 4
    assert f'name="subject" value="{DEAD}"' in shown
    sent = {"subject": DEAD, "back": f"/sites/{site_id}#findings"}
    answer = visitor.post(f"/sites/{site_id}/punch", data=sent, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/sites/{site_id}#findings")
    shown = visitor.get(f"/sites/{site_id}").text
    assert shown.count("Put on the punch list</button>") == 3
    assert f'href="/sites/{site_id}/punch#no-{_number(engine, site_id)}">open</a>' in shown


def test_the_sites_page_does_not_put_first_what_is_said_to_be_mended(
    visitor: TestClient, engine: Engine, site_id: str
) -> None:
    sign_in(visitor, add_person(engine, "office", "Maud Tolliver"))
    titles = re.findall(r'first-advice">(.*?)</p>', visitor.get(f"/sites/{site_id}").text)
    sent = {"subject": DEAD, "mark": "mended", "back": f"/sites/{site_id}"}
    assert visitor.post(f"/sites/{site_id}/mark", data=sent).status_code == 200
    shown = visitor.get(f"/sites/{site_id}").text
    assert titles
    assert re.findall(r'first-advice">(.*?)</p>', shown) != titles
    assert shown.rindex(f"/units/{sample.DEAD}") < shown.index("said to be mended</a>")
