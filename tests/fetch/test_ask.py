"""Open weather services: their answers brought onto hours, and every way in which there is none."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from service.fetch import apart, ask
from service.fetch.ask import horizon, weather
from service.fetch.model import NoAnswer, Question
from service.fetch.services import SERVICES
from tests.fetch import services
from tests.fetch.services import EMAIL, KEY, Server, always, as_json, own_certificate, serving


@pytest.fixture
def server() -> Iterator[Server]:
    with serving(services.nasa_power) as served:
        yield served


@pytest.fixture(scope="module")
def _trusted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    return own_certificate(tmp_path_factory.mktemp("tls"))


@pytest.fixture
def secure(_trusted: tuple[Any, Path], monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """The radiation service, which pvlib asks over HTTPS only."""
    context, certificate = _trusted
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(certificate))
    with serving(services.cams, context) as served:
        served.url = served.url.removeprefix("http://").rstrip("/")
        yield served


def question(service: str, url: str, day: str, **given: Any) -> Question:
    return Question(service, url, 44.76, 7.64, day, given.pop("last", day), **given)


def no_answer(question: Question) -> NoAnswer:
    with pytest.raises(NoAnswer) as caught:
        weather(question)
    return caught.value


def test_nasa_power_s_light_is_that_which_the_live_service_gave(server: Server) -> None:
    found = weather(question("nasa_power", server.url, "2025-02-02"))
    assert list(found) == ["2025-02-02"]
    day = found["2025-02-02"]
    assert day["ghi_w_m2"] == services.NASA_GHI
    assert day["air_temp_c"][3] is None  # its -999
    assert day["air_temp_c"][4] == 5.0
    (path, query) = server.asked[0]
    assert (path, query["latitude"], query["longitude"]) == ("/", "44.76", "7.64")
    assert query["time-standard"] == "utc"


def test_one_question_brings_all_days_of_a_stretch(server: Server) -> None:
    found = weather(question("nasa_power", server.url, "2025-02-02", last="2025-02-05"))
    assert list(found) == ["2025-02-02", "2025-02-03", "2025-02-04", "2025-02-05"]
    assert len(server.asked) == 1


def test_era5_s_moments_become_means_and_its_light_stands_at_the_hour_s_start(server: Server) -> None:
    server.answer = services.era5(server)
    day = weather(question("era5", server.url, "2020-06-01", secret=KEY))["2020-06-01"]
    air, light = services.ERA5_AIR_C, services.ERA5_GHI
    assert day["air_temp_c"][14] == pytest.approx((air[14] + air[15]) / 2, abs=0.01)
    assert day["air_temp_c"][23] == pytest.approx((air[23] + air[0]) / 2, abs=0.01)
    assert day["ghi_w_m2"][16] == pytest.approx(light[17], abs=0.1)
    assert day["ghi_w_m2"][23] == pytest.approx(light[0], abs=0.1)


def test_cams_gives_light_alone(secure: Server) -> None:
    day = weather(question("cams", secure.url, "2020-06-01", secret=EMAIL))["2020-06-01"]
    assert day == {"ghi_w_m2": services.NASA_GHI}


def test_pvgis_s_parts_add_up_and_only_the_days_asked_for_are_kept(server: Server) -> None:
    server.answer = services.pvgis
    found = weather(question("pvgis", server.url, "2020-01-03", last="2020-01-04"))
    assert list(found) == ["2020-01-03", "2020-01-04"]
    assert found["2020-01-03"]["ghi_w_m2"] == [150.0] * 24
    assert found["2020-01-03"]["air_temp_c"][10] == 10.5


def test_the_horizon_counts_from_north_once_around(server: Server) -> None:
    """The published profile begins in the south-turned north: 9.9 degrees at 0, 13 at 7.5 (pvlib's test file)."""
    server.answer = services.pvgis
    found = horizon(Question("pvgis", server.url, 45.0, 8.0))
    assert found[:4] == [(0.0, 9.9), (7.5, 13.0), (15.0, 14.5), (22.5, 15.7)]
    assert (180.0, 6.5) in found
    assert (270.0, 21.4) in found
    assert len(found) == len(services.HORIZON) - 1


# No answer


@pytest.mark.parametrize(
    ("reply", "kind"),
    [
        (as_json({"detail": "no"}, 401), "refused"),
        ((403, "text/html", b"<html>denied</html>"), "refused"),
        (as_json({"detail": "slow down"}, 429), "too_many"),
        ((503, "text/html", b"<html>maintenance</html>"), "trouble"),
        ((200, "text/html", b"<html>we have moved</html>"), "changed"),
        (as_json({"properties": {"series": []}}), "changed"),
        (as_json({"message": "out of range", "status": 400}, 400), "declined"),
    ],
)
@pytest.mark.parametrize("service", ["nasa_power", "pvgis", "era5"])
def test_every_service_that_does_not_answer_is_told_by_its_kind(
    server: Server, service: str, reply: services.Reply, kind: str
) -> None:
    server.answer = always(reply)
    assert no_answer(question(service, server.url, "2020-01-03", secret=KEY)).kind == kind


def test_an_answer_that_ends_early_is_not_taken(server: Server) -> None:
    status, form, whole = services.nasa_power(
        "/", {"start": "20250202", "end": "20250202", "parameters": "T2M", "latitude": "1", "longitude": "2"}
    )
    server.answer = always((status, form, whole[: len(whole) // 2]))
    assert no_answer(question("nasa_power", server.url, "2025-02-02")).kind == "changed"


def test_a_torn_archive_is_not_taken(server: Server) -> None:
    good = services.era5(server)

    def torn(path: str, *rest: Any) -> services.Reply:
        status, kind, content = good(path, *rest)
        return status, kind, content[:60] if path.endswith(".zip") else content

    server.answer = torn
    assert no_answer(question("era5", server.url, "2020-06-01", secret=KEY)).kind == "changed"


def test_nothing_but_gaps_is_no_answer(server: Server) -> None:
    def gaps(*given: Any) -> services.Reply:
        status, kind, content = services.nasa_power(*given)
        for light in {str(v) for v in services.NASA_GHI}:
            content = content.replace(f": {light}".encode(), b": -999.0")
        return status, kind, content

    server.answer = gaps
    found = weather(question("nasa_power", server.url, "2025-02-02"))["2025-02-02"]
    assert "ghi_w_m2" not in found
    server.answer = always(
        as_json(
            {
                "properties": {
                    "parameter": {n: {"2025020200": -999.0} for n in ("T2M", "ALLSKY_SFC_SW_DWN")}
                },
                "header": {"fill_value": -999.0},
                "times": {},
                "parameters": {},
                "geometry": {"coordinates": [0, 0, 0]},
            }
        )
    )
    assert no_answer(question("nasa_power", server.url, "2025-02-02")).kind == "nothing"


def test_a_wrong_key_is_refused_and_repeated_nowhere(server: Server, secure: Server) -> None:
    server.answer = services.era5(server)
    wrong = "11111111-2222-4333-8444-555555555555"
    for refused in (
        no_answer(question("era5", server.url, "2020-06-01", secret=wrong)),
        no_answer(question("cams", secure.url, "2020-06-01", secret="other@firm.example")),
    ):
        assert refused.kind in ("refused", "declined")
        assert refused.said
        assert wrong not in refused.said
        assert "other" not in refused.said


def test_a_port_where_nobody_listens_is_out_of_reach() -> None:
    nobody = "http://127.0.0.1:9/"
    assert no_answer(question("nasa_power", nobody, "2025-02-02")).kind == "unreachable"


def test_without_a_network_every_real_service_is_out_of_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    """By a proxy where nobody listens, since the computer that tests may have a network."""
    monkeypatch.setenv("HTTPS_PROXY", "http://127.0.0.1:9")
    for name, service in SERVICES.items():
        asked = question(name, service.url, "2025-02-02", secret="x@y.example")
        assert no_answer(asked).kind == "unreachable", name


def test_requests_are_left_as_they_were(server: Server) -> None:
    plain = requests.Session.send
    weather(question("nasa_power", server.url, "2025-02-02"))
    assert requests.Session.send is plain


# In a process of its own


def test_the_process_apart_gives_the_same_answer(server: Server) -> None:
    asked = question("nasa_power", server.url, "2025-02-02")
    assert apart.fetch_weather(asked, longest_s=60) == weather(asked)


def test_a_process_that_does_not_end_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What real services make it wait for, or read for ever, is in tests/bench/test_fetch.py."""
    endless, began = tmp_path / "endless", tmp_path / "began"
    endless.write_text(f"#!/bin/sh\necho $$ > {began}\nexec sleep 600\n", encoding="utf-8")
    endless.chmod(0o700)
    monkeypatch.setattr(apart.sys, "executable", str(endless))
    with pytest.raises(NoAnswer) as caught:
        apart.fetch_horizon(Question("pvgis", "http://127.0.0.1:9/", 45.0, 8.0), longest_s=1)
    assert caught.value.kind == "slow"
    assert not Path(f"/proc/{began.read_text(encoding='utf-8').strip()}").exists()


def test_a_service_that_says_nothing_is_given_up(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """pvlib's `get_nasa_power` alone would wait for ever."""
    monkeypatch.setattr(ask, "SILENCE_S", 0.2)
    server.answer = always(as_json({}), after_s=2)
    assert no_answer(question("nasa_power", server.url, "2025-02-02")).kind == "slow"


def test_a_process_that_fails_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart.sys, "executable", "/bin/false")
    with pytest.raises(NoAnswer) as caught:
        apart.fetch_horizon(Question("pvgis", "http://127.0.0.1:9/", 45.0, 8.0))
    assert caught.value.kind == "broken"
