"""The page for the roof over HTTP: its answer, its weight, what reading it again costs, and who may read it."""

from __future__ import annotations

import gzip
import re
from html import unescape

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from service.jobs.codec import to_json
from service.jobs.verification import MADE_BY, summary
from service.store import punch, sites, verifications
from service.store.database import writing
from tests.report import sample
from tests.web.visit import add_person, add_site, assign, sign_in

pytestmark = pytest.mark.one_database

LARGEST_BYTES = 60_000
SAME = "if-none-match"


@pytest.fixture
def office(visitor: TestClient, engine: Engine) -> TestClient:
    """Somebody from the office, signed in."""
    return sign_in(visitor, add_person(engine, "office"))


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\xa0", " ")


def faulty(engine: Engine) -> str:
    return f"/sites/{add_site(engine, sample.verification())}"


def mark(client: TestClient, href: str, said: str, serial: str = sample.DEAD, note: str = "") -> None:
    form = {"subject": f"unit:{serial}", "mark": said, "note": note, "back": f"{href}/van"}
    answer = client.post(f"{href}/mark", data=form, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{href}/van")


# What it says


def test_answer_comes_first_then_cautions_then_the_work(office: TestClient, engine: Engine) -> None:
    said = text_of(office.get(f"{faulty(engine)}/van").text)
    in_order = [
        "13 of 14 units heard",
        "Look at these",
        "Isolate the AC branch circuit",
        "From the ground first",
        "Compare its serial",
        "south roof, row 1, 4th of 5 from the left",
        "south roof, row 2, 3rd of 5 from the left",
        "east dormer, row 1, 1st of 4 from the left",
    ]
    found = [said.index(part) for part in in_order]
    assert found == sorted(found)


def test_part_is_the_same_without_the_page_around_it(office: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    page, part = (office.get(f"{href}/van{q}").text for q in ("", "?part=1"))

    def but_for_hidden_words(text: str) -> str:
        return re.sub(r'(value|id|for)="(note-|photo-)?[a-z0-9]{14}"', "", text)

    assert "<html" not in part
    assert but_for_hidden_words(part.strip()) in but_for_hidden_words(page)


def test_marks_are_taken_and_shown_with_who_made_them(office: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    mark(office, href, "mended", note="Plug was loose")
    mark(office, href, "left", serial=sample.SHADED, note="Owner fells the tree")
    page = office.get(f"{href}/van").text
    said = text_of(page)
    for part in (
        "said to be mended",
        "Plug was loose",
        "office person",
        "The proof waits for readings in daylight",
    ):
        assert part in said
    assert "Left, because: Owner fells the tree" in said
    assert "1 of 4 is mended or said to be." in said
    assert f'id="u-{sample.DEAD}" class="settled"' in page


def test_all_mended_waits_for_light(office: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    for serial in (sample.DEAD, sample.SHADED, sample.PART, sample.SILENT):
        mark(office, href, "mended", serial=serial)
    assert "Too early: what was mended waits for light to prove it" in text_of(office.get(f"{href}/van").text)


# What it weighs


def test_first_view_keeps_its_budget(office: TestClient, engine: Engine) -> None:
    """60 KB compressed, with style sheet, script and mark, as sent to a browser that holds nothing yet."""
    href = faulty(engine)
    page = office.get(f"{href}/van").text
    addresses = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
    assert len(addresses) == 3
    total = 0
    for path in (f"{href}/van", *addresses):
        with office.stream("GET", unescape(path), headers={"accept-encoding": "gzip"}) as answer:
            total += len(b"".join(answer.iter_raw()))
    assert 5_000 < total <= LARGEST_BYTES


@pytest.mark.parametrize(("path", "packed"), [("van", True), ("job-sheet", True), ("", False)])
def test_only_what_holds_no_secret_is_compressed(
    office: TestClient, engine: Engine, path: str, *, packed: bool
) -> None:
    href = faulty(engine)
    with office.stream("GET", f"{href}/{path}".rstrip("/"), headers={"accept-encoding": "gzip"}) as answer:
        raw = b"".join(answer.iter_raw())
    assert (answer.headers.get("content-encoding") == "gzip") is packed
    assert b"<h1>" in (gzip.decompress(raw) if packed else raw)


def test_who_takes_no_gzip_gets_none(office: TestClient, engine: Engine) -> None:
    answer = office.get(f"{faulty(engine)}/van", headers={"accept-encoding": "identity"})
    assert "content-encoding" not in answer.headers
    assert "Accept-Encoding" in answer.headers["vary"]


def test_nothing_of_the_address_is_repeated(office: TestClient, engine: Engine) -> None:
    """Else an attacker could have text of his choice beside the page's own and read from the size what it holds."""
    href = faulty(engine)
    for path in ("van", "van?part=1", "job-sheet"):
        sign = "&" if "?" in path else "?"
        page = office.get(f"{href}/{path}{sign}probe=QXZQXZ").text
        assert "QXZQXZ" not in page


# Reading it again


def test_the_same_page_is_not_sent_again(office: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    tag = office.get(f"{href}/van").headers["etag"]
    for path in (f"{href}/van", f"{href}/van?part=1"):
        answer = office.get(path, headers={SAME: tag})
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)
    assert office.get(f"{href}/van", headers={SAME: 'W/"another"'}).status_code == 200


def test_whatever_changes_the_page_changes_its_tag(office: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    seen = {office.get(f"{href}/van").headers["etag"]}

    def is_new(headers: dict[str, str] | None = None) -> bool:
        before = len(seen)
        seen.add(office.get(f"{href}/van", headers=headers).headers["etag"])
        return len(seen) > before

    assert not is_new()
    mark(office, href, "looked_at")
    assert is_new()
    mark(office, href, "looked_at", note="once more")
    assert is_new()
    with writing(engine) as session:
        sites.touch(session, href.rpartition("/")[2])
    assert is_new()
    assert is_new({"accept-language": "de"})


def test_another_reader_has_another_tag(visitor: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    site_id = href.rpartition("/")[2]
    tags = set()
    for name in ("Isko Renn", "Ana Ribeiro"):
        sign_in(visitor, assign(engine, add_person(engine, "installer", name), site_id))
        tags.add(visitor.get(f"{href}/van").headers["etag"])
        visitor.post("/sign-out")
    assert len(tags) == 2


def test_a_tag_opens_nothing(visitor: TestClient, engine: Engine) -> None:
    href = faulty(engine)
    sign_in(visitor, assign(engine, add_person(engine, "installer", "Isko Renn"), href.rpartition("/")[2]))
    tag = visitor.get(f"{href}/van").headers["etag"]
    visitor.post("/sign-out")
    answer = visitor.get(f"{href}/van", headers={SAME: tag}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"].startswith("/sign-in")) == (303, True)
    sign_in(visitor, add_person(engine, "installer", "Ana Ribeiro"))
    assert visitor.get(f"{href}/van", headers={SAME: tag}).status_code == 404


def test_what_is_proven_is_folded_away_and_what_stands_elsewhere_is_not(
    office: TestClient, engine: Engine
) -> None:
    href = faulty(engine)
    site_id = href.rpartition("/")[2]
    mark(office, href, "mended")
    mark(office, href, "looked_at", serial=sample.SHADED)
    with writing(engine) as session:
        entry = punch.last_of(session, site_id, f"unit:{sample.DEAD}")
        assert entry is not None
        proof = {"outcome": "closed"}
        punch.prove(session, entry, proof, punch.Done("closed", "the readings"))
        healthy = sample.healthy()
        verifications.save(
            session,
            site_id,
            sites.DEFAULT_WINDOW,
            0,
            to_json(healthy),
            made_by=MADE_BY,
            summary=summary(healthy),
        )
    page = office.get(f"{href}/van").text
    assert "All right" in text_of(page)
    elsewhere, proven = page[page.index("Else on the punch list") :].split('<details id="proven">')
    assert (sample.SHADED in elsewhere, sample.DEAD in elsewhere) == (True, False)
    assert (sample.SHADED in proven, sample.DEAD in proven) == (False, True)
    assert "<form" not in proven.partition("</details>")[0]
