"""Fetched weather: which days are asked for and when, what becomes of them, and that nothing waits for a service."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine
from sqlmodel import select

from service.fetch import ask
from service.fetch.model import NoAnswer, Question
from service.fetch.services import SERVICES
from service.jobs.assemble import inputs_for
from service.jobs.fetching import Access, access_of, fetch_next
from service.jobs.queue import make_queue
from service.jobs.verification import MADE_BY, current, verify_site
from service.settings import Settings
from service.store import fetched, readings, sites
from service.store.database import reading, writing
from service.store.tables import FetchedDay, WeatherAsked
from tests.fetch.services import Server, always, as_json, nasa_power, serving
from tests.jobs.roof import START, bell, heard_site, new_site, samples, send

NOW = START + timedelta(days=10)
NASA = Access("nasa_power", "")
HOUR = timedelta(hours=1)

pytestmark = pytest.mark.usefixtures("server")


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    with serving(nasa_power) as served:
        monkeypatch.setitem(SERVICES, "nasa_power", replace(SERVICES["nasa_power"], url=served.url))
        yield served


def here(question: Question, *, longest_s: float) -> dict[str, Any]:
    """Ask without the cost of a process."""
    assert longest_s == NASA.service.longest_s
    return ask.weather(question)


def fetch(engine: Engine, now: datetime = NOW, access: Access = NASA) -> bool:
    return fetch_next(engine, access, now=now, ask=here)


def days(engine: Engine, site_id: str) -> list[date]:
    with reading(engine) as session:
        rows = session.exec(select(FetchedDay).where(FetchedDay.site_id == site_id))
        return sorted(row.day for row in rows)


def version(engine: Engine, site_id: str) -> int:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site
        return site.data_version


def trouble(engine: Engine, site_id: str) -> fetched.Trouble | None:
    with reading(engine) as session:
        return fetched.trouble(session, site_id, NASA.code)


def test_one_question_brings_the_window_s_days_and_makes_the_verification_due(
    engine: Engine, server: Server
) -> None:
    site_id = heard_site(engine)
    verify_site(engine, site_id)
    before = version(engine, site_id)
    assert fetch(engine)
    assert days(engine, site_id) == [date(2026, 5, 31), date(2026, 6, 1), date(2026, 6, 2)]
    assert len(server.asked) == 1
    assert server.asked[0][1]["latitude"] == "53.8"
    assert version(engine, site_id) == before + 1
    with reading(engine) as session:
        assert site_id in sites.behind(session, MADE_BY)


def test_what_is_kept_is_not_asked_for_again_until_the_site_has_more_days(
    engine: Engine, server: Server
) -> None:
    site_id = heard_site(engine)
    assert fetch(engine)
    # Its gap at three in the morning is asked for once a day.
    assert not fetch(engine, NOW + timedelta(hours=7))
    assert fetch(engine, NOW + timedelta(days=1, hours=2))
    assert len(server.asked) == 2
    send(engine, site_id, samples("101", bell(1), start=START + timedelta(days=2)))
    assert fetch(engine, NOW + timedelta(days=2, hours=3))
    assert date(2026, 6, 3) in days(engine, site_id)


def test_the_same_answer_again_raises_no_version(engine: Engine, server: Server) -> None:
    site_id = heard_site(engine)
    assert fetch(engine)
    before = version(engine, site_id)
    assert fetch(engine, NOW + timedelta(days=2))
    assert len(server.asked) == 2
    assert version(engine, site_id) == before


def test_days_that_the_service_cannot_have_yet_are_asked_for_later(engine: Engine) -> None:
    site_id = heard_site(engine)
    early = START + timedelta(days=NASA.service.late_days, hours=20)
    assert fetch(engine, early)
    assert days(engine, site_id)[-1] == date(2026, 6, 1)
    assert fetch(engine, early + timedelta(days=2))
    assert days(engine, site_id)[-1] == date(2026, 6, 2)


def test_a_site_without_readings_is_never_asked_for(engine: Engine, server: Server) -> None:
    new_site(engine)
    assert not fetch(engine)
    assert server.asked == []


def test_sites_take_turns_and_keep_the_service_s_pause(engine: Engine, server: Server) -> None:
    both = {heard_site(engine), heard_site(engine)}
    assert fetch(engine)
    assert not fetch(engine, NOW + timedelta(seconds=NASA.service.pause_s - 1))
    assert fetch(engine, NOW + timedelta(seconds=NASA.service.pause_s + 1))
    with reading(engine) as session:
        assert {row.site_id for row in session.exec(select(FetchedDay))} == both
    assert len(server.asked) == 2


def test_a_site_that_moved_is_asked_for_anew_and_the_old_place_s_weather_counts_no_more(
    engine: Engine, server: Server
) -> None:
    site_id = heard_site(engine)
    assert fetch(engine)
    with writing(engine) as session:
        site = sites.held(session, site_id)
        assert site
        sites.replace(session, site, {**site.record, "latitude": 40.0})
    assert weather(engine, site_id) == (None, None)
    assert fetch(engine, NOW + timedelta(hours=7))
    assert server.asked[-1][1]["latitude"] == "40.0"
    assert weather(engine, site_id)[0] is not None


def weather(engine: Engine, site_id: str) -> tuple[Any, Any]:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        assert site
        inputs = inputs_for(session, site)
    assert inputs
    return inputs.weather, inputs.service


def test_air_goes_into_the_weather_and_light_stands_apart(engine: Engine) -> None:
    site_id = heard_site(engine)
    assert fetch(engine)
    held, service = weather(engine, site_id)
    noon = int((START + 12 * HOUR - held.start) / HOUR)
    assert held.interval_min == 60
    assert held.air_temp_c[noon] == 7.0
    assert held.air_temp_sd_k[noon] == 3.0
    assert held.wind_m_s is None
    assert held.ghi_w_m2 is None
    assert not held.poa_w_m2
    assert (service.name, service.air_temp, service.fetched_at) == ("NASA POWER", True, NOW)
    assert service.light.ghi_w_m2.max() == 406.48


def test_a_sensor_on_site_goes_before_and_keeps_its_own_interval(engine: Engine) -> None:
    """The sensor is silent from noon on: from there on the service fills in, with its own uncertainty."""
    site_id = heard_site(engine)
    quarter = np.full(96, 15.0)
    quarter[48:] = np.nan
    light = np.full(96, 400.0)
    with writing(engine) as session:
        sent = [samples("", v, channel=c) for v, c in ((quarter, "air_temp_c"), (light, "ghi_w_m2"))]
        readings.write_weather(session, site_id, sent)
    assert fetch(engine)
    held, service = weather(engine, site_id)
    at = {h: int((START + h * HOUR - held.start).total_seconds() / 900) for h in (10, 14, 40)}
    assert held.interval_min == 15
    assert [held.air_temp_c[at[h]] for h in (10, 14, 40)] == [15.0, 7.5, 8.0]
    assert [held.air_temp_sd_k[at[h]] for h in (10, 14, 40)] == [1.0, 3.0, 3.0]
    assert held.ghi_w_m2[at[10]] == 400.0
    assert math.isnan(held.ghi_w_m2[at[40]])
    assert service.air_temp


def test_a_sensor_that_tells_all_leaves_nothing_to_the_service(engine: Engine) -> None:
    site_id = heard_site(engine)
    with writing(engine) as session:
        whole = samples(
            "", np.full(5 * 24, 15.0), interval_min=60, channel="air_temp_c", start=START - 36 * HOUR
        )
        readings.write_weather(session, site_id, [whole])
    assert fetch(engine)
    held, service = weather(engine, site_id)
    assert np.nanmax(held.air_temp_sd_k) == 1.0
    assert not service.air_temp


def test_the_verification_names_the_service_and_its_time(engine: Engine) -> None:
    site_id = heard_site(engine)
    without = verify_site(engine, site_id)
    assert fetch(engine)
    found = current(engine, site_id)
    assert without
    assert found
    assert without.sky.service is None
    told = found.as_contract(site_id)["sky"]["service"]
    assert told["name"] == "NASA POWER"
    assert told["fetched_at"] == NOW.isoformat()
    assert told["air_temp"] is True
    assert told["light_over_array"] > 0
    assert found.sky.source == without.sky.source == "array"
    assert found.sky.air_temp_sd_k == pytest.approx(3.0, abs=0.05)
    assert without.sky.air_temp_sd_k == 7.0
    assert [f.cause for f in found.findings] == [f.cause for f in without.findings]
    for a, b in zip(without.units, found.units, strict=True):
        assert b.performance_index == pytest.approx(a.performance_index, abs=0.005)


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (always(as_json({"detail": "no"}, 403)), "refused"),
        (always((200, "text/html", b"<html></html>")), "changed"),
        (always((503, "text/html", b"")), "trouble"),
    ],
)
def test_a_failure_is_noted_and_the_verification_goes_on(
    engine: Engine, server: Server, answer: Any, kind: str
) -> None:
    site_id = heard_site(engine)
    server.answer = answer
    assert fetch(engine)
    noted = trouble(engine, site_id)
    assert noted
    assert (noted.kind, noted.since) == (kind, NOW)
    found = verify_site(engine, site_id)
    assert found
    assert found.units
    assert found.sky.service is None


def test_without_a_network_it_is_tried_ever_more_rarely_and_works_at_once_again(engine: Engine) -> None:
    site_id = heard_site(engine)
    asked: list[datetime] = []

    def nobody(question: Question, *, longest_s: float) -> dict[str, Any]:  # noqa: ARG001
        asked.append(now)
        raise NoAnswer("unreachable")

    now = NOW
    while now < NOW + timedelta(days=7):
        assert fetch_next(engine, NASA, now=now, ask=nobody)
        with reading(engine) as session:
            row = session.get(WeatherAsked, site_id)
        assert row
        now = row.next_at
    waits = [(b - a) / HOUR for a, b in pairwise(asked)]
    assert waits[0] == 1
    assert waits == sorted(waits)
    assert waits[-1] == 24
    noted = trouble(engine, site_id)
    assert noted
    assert noted.since == NOW
    assert fetch(engine, now + timedelta(days=1))
    assert trouble(engine, site_id) is None


def test_what_cannot_be_right_is_left_out(engine: Engine) -> None:
    site_id = heard_site(engine)

    def hot(question: Question, *, longest_s: float) -> dict[str, Any]:  # noqa: ARG001
        light: list[float | None] = [3.0] * 24
        return {"2026-06-01": {"air_temp_c": [290.0] * 24, "ghi_w_m2": light, "strange": [1.0] * 24}}

    assert fetch_next(engine, NASA, now=NOW, ask=hot)
    with reading(engine) as session:
        rows = list(session.exec(select(FetchedDay).where(FetchedDay.site_id == site_id)))
    assert [row.hours for row in rows] == [{"ghi_w_m2": [3.0] * 24}]


def test_another_service_asks_anew_and_takes_the_place_of_the_first_s_days(engine: Engine) -> None:
    site_id = heard_site(engine)
    assert fetch(engine)
    light: list[float | None] = [100.0] * 24

    def cams(question: Question, *, longest_s: float) -> dict[str, Any]:  # noqa: ARG001
        assert question.secret == "roofs@firm.example"
        return {d.isoformat(): {"ghi_w_m2": light} for d in days(engine, site_id)}

    later = NOW + HOUR
    assert fetch_next(engine, Access("cams", "roofs@firm.example"), now=later, ask=cams)
    held, service = weather(engine, site_id)
    assert held is None
    assert (service.name, service.air_temp) == ("CAMS Radiation", False)


def test_two_that_ask_at_once_ask_one_question(engine: Engine, server: Server) -> None:
    heard_site(engine)
    nested: list[bool] = []

    def asking(question: Question, *, longest_s: float) -> dict[str, Any]:
        nested.append(fetch_next(engine, NASA, now=NOW + HOUR, ask=here))
        return here(question, longest_s=longest_s)

    assert fetch_next(engine, NASA, now=NOW, ask=asking)
    assert nested == [False]
    assert len(server.asked) == 1


def test_a_site_that_is_deleted_meanwhile_keeps_nothing(engine: Engine) -> None:
    site_id = heard_site(engine)

    def gone(question: Question, *, longest_s: float) -> dict[str, Any]:
        with writing(engine) as session:
            site = sites.held(session, site_id)
            assert site
            sites.delete(session, site)
        return here(question, longest_s=longest_s)

    assert fetch_next(engine, NASA, now=NOW, ask=gone)
    assert days(engine, site_id) == []


def test_nobody_is_asked_unless_a_setting_says_so(settings: Settings, engine: Engine) -> None:
    heard_site(engine)
    assert access_of(settings) is None
    jobs = make_queue(settings, engine)
    jobs.huey.storage.flush_all()
    jobs.sweep()
    assert [task.name for task in jobs.huey.pending()] == ["verify"]
    assert jobs.asking == 0
    jobs.huey.storage.close()


def test_the_sweep_has_one_question_asked_and_it_runs_through_the_queue(
    settings: Settings, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_id = heard_site(engine)
    monkeypatch.setattr("service.jobs.queue.fetch_next", lambda e, a: fetch_next(e, a, ask=here))
    jobs = make_queue(settings.model_copy(update={"weather": "nasa_power"}), engine)
    jobs.huey.storage.flush_all()
    jobs.sweep()
    jobs.sweep()
    assert [task.name for task in jobs.huey.pending()].count("weather") == 1
    assert jobs.asking == 1
    now = datetime.now(UTC).replace(tzinfo=None)
    while jobs.huey.pending_count():
        jobs.huey.execute(jobs.huey.dequeue(), now)
    assert days(engine, site_id)
    with reading(engine) as session:
        assert session.get(WeatherAsked, site_id).failure == ""  # type: ignore[union-attr]
    jobs.huey.storage.close()
