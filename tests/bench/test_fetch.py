"""Services that hold up whoever asks them: both are ended in time. Seconds of a busy processor, so not by default."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.fetch import apart
from service.fetch.model import NoAnswer, Question
from tests.fetch.services import EMAIL, always, as_json, own_certificate, serving

LONGEST_S = 15


def test_a_file_without_a_heading_is_not_read_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pvlib's `read_cams` looks for the heading beyond the end of the file."""
    context, certificate = own_certificate(tmp_path)
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(certificate))
    with serving(always((200, "text/csv", b"no heading\n")), context) as served:
        host = served.url.removeprefix("http://").rstrip("/")
        asked = Question("cams", host, 45.0, 8.0, "2020-06-01", "2020-06-01", EMAIL)
        _is_slow(asked)
        assert served.asked


def test_a_service_that_hangs_is_left() -> None:
    with serving(always(as_json({}), after_s=60)) as served:
        _is_slow(Question("nasa_power", served.url, 45.0, 8.0, "2020-06-01", "2020-06-01"))
        assert served.asked


def _is_slow(asked: Question) -> None:
    with pytest.raises(NoAnswer) as caught:
        apart.fetch_weather(asked, longest_s=LONGEST_S)
    assert caught.value.kind == "slow"
