"""What the sender does with the service's answers: refusals are told and isolated, nothing is dropped in silence."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from math import pi, sin
from pathlib import Path
from socket import gethostname
from types import SimpleNamespace
from typing import Any

import httpx
import pytest

from service.collect import sender as sending
from service.collect.outbox import Outbox
from service.intake.batch import COUNTER
from service.intake.export.counter import BEGAN_ANEW
from service.intake.live.model import Sample
from service.store import accounts, payloads
from service.store.database import reading, writing
from tests.collect.disturbed import COUNTED, MORNING, TOLD, Collector, Wire, World, heard_at

Make = Callable[..., Collector]


def _hear_hour(collector: Collector, **more: float) -> None:
    for minute in range(0, 65, 5):
        at = MORNING + timedelta(minutes=minute)
        collector.hear(heard_at(at))
        collector.hear([Sample(serial, "energy_wh", at, value) for serial, value in more.items()])
    collector.clock.time = MORNING + timedelta(hours=2)


def _trouble(collector: Collector) -> str:
    return str((collector.outbox.fact("service_trouble") or {}).get("text"))


def test_what_is_sent_is_acknowledged_and_kept_as_it_was(collector: Collector, world: World) -> None:
    _hear_hour(collector)
    assert collector.sender.step() == 15
    held = world.held(collector.site)
    assert len([key for key in held if key[0] == COUNTED]) == 12
    assert held.keys() == collector.sent().keys()
    assert collector.outbox.fact("rated_w") == 350
    with reading(world.engine) as session:
        sources = {sent.source for sent in payloads.of_site(session, collector.site)}
    assert sources == {f"token collector, collector {gethostname()}"}


def test_wrong_tokens_and_sites_are_told_with_their_remedy(new_collector: Make, world: World) -> None:
    with writing(world.engine) as session:
        reader = accounts.create_token(session, "reader", read_only=True)
    cases = {
        "does not know the token": {"token": "unknown"},
        "may not write": {"token": reader},
        "no such site": {"site": "nowhere"},
    }
    for said, given in cases.items():
        collector = new_collector(**given)
        _hear_hour(collector)
        wait = collector.sender.step()
        assert said in _trouble(collector)
        assert 2.5 <= wait <= 5
        assert len(collector.outbox.due(1000, newest_first=True)) > 30, "nothing is dropped"
        assert not collector.sent()


def test_it_waits_longer_and_longer_but_as_long_as_it_is_told(collector: Collector) -> None:
    collector.wire.faults = ["lost request"] * 12
    waits = [collector.sender.step() for _ in range(12)]
    assert waits[0] <= 5
    assert waits[-1] <= sending.LONGEST_WAIT_S
    assert waits[-1] >= sending.LONGEST_WAIT_S / 2
    assert "does not answer" in _trouble(collector)
    collector.sender.step()
    assert _trouble(collector) == "None"


def test_a_refused_value_is_found_and_kept_aside(collector: Collector, world: World) -> None:
    long = "9" * 81
    _hear_hour(collector, **{long: 3.0})
    collector.sender.step()
    held = world.held(collector.site)
    assert len([key for key in held if key[0] == COUNTED]) == 12
    refused = collector.outbox._read("SELECT serial, reason FROM reading WHERE state = 'refused'", ())
    assert len(refused) == 13
    assert {serial for serial, _ in refused} == {long}
    assert "must be a serial of 1 to 80" in refused[0][1]
    assert len([path for _, path in collector.wire.asked if path.endswith("/readings")]) <= 4
    assert collector.outbox.due(10, newest_first=True) == []
    collector.outbox.try_again()
    assert len(collector.outbox.due(100, newest_first=True)) == 13


class _Strict(Wire):
    """A service that takes so many bytes at once, and does not say which row it will not have."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        body = request.read()
        if len(body) > 600:
            return httpx.Response(413)
        if TOLD.encode() in body and b'"energy_wh":7.0' in body.replace(b" ", b""):
            return httpx.Response(422, json={"errors": []})
        return super().handle_request(request)


def test_a_refusal_without_a_place_is_narrowed_down(collector: Collector, world: World) -> None:
    collector.wire = _Strict(world.app())
    collector.start()
    _hear_hour(collector)
    collector.sender.step()
    refused = collector.outbox._read("SELECT serial, value FROM reading WHERE state = 'refused'", ())
    assert set(refused) == {(TOLD, 7.0)}
    assert len(world.held(collector.site)) == 12 + 12 + 13 - len(refused)


def test_a_value_that_the_service_does_not_count_is_told(collector: Collector, world: World) -> None:
    _hear_hour(collector)
    collector.hear([Sample(TOLD, "energy_wh", MORNING, 90_000.0)])
    collector.sender.step()
    ((serial, reason),) = collector.outbox._read(
        "SELECT serial, reason FROM reading WHERE state = 'kept_out'", ()
    )
    assert serial == TOLD
    assert "far more than the inverter can give" in reason
    assert (TOLD, "energy_wh", int(MORNING.timestamp())) not in world.held(collector.site)


def test_the_service_is_told_of_a_counter_that_began_anew(collector: Collector, world: World) -> None:
    totals = (900, 905, 910, 4, 9, 14, 19)
    collector.hear(
        [Sample(COUNTED, "counter_wh", MORNING + timedelta(minutes=5 * n), v) for n, v in enumerate(totals)]
    )
    collector.hear([Sample(COUNTED, "counter_wh", MORNING - timedelta(hours=9), 900)])
    collector.clock.time = MORNING + timedelta(hours=2)
    collector.sender.step()
    with reading(world.engine) as session:
        listed = payloads.problems_since(session, collector.site, MORNING - timedelta(days=900))
    (note,) = [p for one in listed for p in one.problems]
    assert (note["serial"], note["field"], note["message"]) == (COUNTED, COUNTER, BEGAN_ANEW)
    assert datetime.fromisoformat(note["start"]) == MORNING + timedelta(minutes=15)
    assert collector.outbox.asides_due(10) == []


def test_an_older_service_that_wants_no_notes_gets_the_readings(collector: Collector, world: World) -> None:
    for n, total in enumerate((900, 905, 3, 9)):
        collector.hear([Sample(COUNTED, "counter_wh", MORNING + timedelta(minutes=5 * n), total)])
    collector.clock.time = MORNING + timedelta(hours=2)
    app = collector.wire.app

    def older(method: str, url: str, **sent: Any) -> Any:
        return httpx.Response(405) if url.endswith("/quality") else app.request(method, url, **sent)

    collector.wire.app = SimpleNamespace(request=older)  # type: ignore[assignment]
    collector.sender.step()
    assert len(world.held(collector.site)) == 3


def test_today_goes_before_yesterday(collector: Collector, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending, "LARGEST_BATCH", 10)
    _hear_hour(collector)
    collector.wire.faults = [None, None, "lost request"]
    collector.sender.step()
    starts = {start for _, _, start in collector.sent()}
    due = {r.start for r in collector.outbox.due(1000, newest_first=False)}
    assert starts
    assert min(starts) >= max(due)


class _Portal(httpx.BaseTransport):
    """What answers in place of the service where somebody has yet to sign in to the network."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        return httpx.Response(200, html="<html>Welcome</html>", request=request)


def test_not_every_200_is_an_acknowledgement(collector: Collector) -> None:
    collector.wire = _Portal()  # type: ignore[assignment]
    collector.start()
    _hear_hour(collector)
    collector.sender.step()
    assert "is not the service" in _trouble(collector)
    assert not collector.sent()


def _file(collector: Collector, folder: Path) -> None:
    """Put a file into the outbox that does not say whether its times name starts or ends."""
    lines = ["time;101;102;103"]
    for minute in range(0, 2 * 1440, 15):
        power = max(0.0, 250 * sin((minute % 1440 - 360) / 720 * pi))
        at = MORNING.replace(hour=0, tzinfo=None) + timedelta(minutes=minute)
        lines.append(f"{at:%Y-%m-%d %H:%M};{power:.1f};{power * 0.9:.1f};{power * 0.8:.1f}")
    file = folder / "june.csv"
    file.write_text("\n".join(lines))
    collector.outbox.file("drop", file)


def _state(outbox: Outbox) -> tuple[str, Any]:
    ((state, told),) = outbox._read("SELECT state, told FROM file", ())
    return state, json.loads(told)


def test_a_file_with_open_questions_waits_for_their_answers(collector: Collector, tmp_path: Path) -> None:
    _file(collector, tmp_path)
    collector.sender.step()
    state, told = _state(collector.outbox)
    assert state == "asked", told
    assert "?" in told["said"][0]
    collector.wire.asked.clear()
    collector.sender.step()
    assert collector.wire.asked == [], "it is asked about once an hour"

    _answer_on_the_pages(collector, told["location"], mapping="drops")
    collector.mappings["drop"] = "drops"
    collector.sender.step()
    assert _state(collector.outbox)[0] == "sent"
    assert collector.outbox._read("SELECT body FROM file", ()) == [(None,)]


def _answer_on_the_pages(collector: Collector, location: str, mapping: str) -> None:
    """Answer the questions for a file of the same kind, under a name."""
    service = collector.wire.app
    service.headers["Authorization"] = f"Bearer {collector.token}"
    questions = service.get(location).json()["questions"]
    answers = "".join(f"&answer={q['key']}={q['proposed'] or q['choices'][0]}" for q in questions)
    (file,) = collector.outbox.files_due(lambda _: "another way", {})
    path = f"/api/v1/sites/{collector.site}/exports?name=may.csv&mapping={mapping}{answers}"
    answered = service.post(path, content=collector.outbox.body(file))
    assert answered.status_code == 200, answered.text


def test_a_file_that_cannot_be_read_is_told(collector: Collector, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("ring the office\n")
    collector.outbox.file("drop", tmp_path / "notes.txt")
    collector.sender.step()
    state, told = _state(collector.outbox)
    assert state == "refused"
    assert len(told["said"][0]) > 10
