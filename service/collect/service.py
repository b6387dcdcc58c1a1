"""The service as the collector sees it: HTTP answers, put into what they mean for what was sent."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any

import httpx

from service.collect.clock import Compared, compared, on_s
from service.collect.config import ServicePart
from service.collect.http_client import client
from service.collect.outbox import HeldFile, Reading, moment


class NotTaken(Exception):  # noqa: N818 - an answer, not a fault of the program
    """The service refuses what was sent, as it is; sending it again would not help."""

    def __init__(self, reason: str, rows: Mapping[int, str] | None = None) -> None:
        self.reason, self.rows = reason, dict(rows or {})
        """What is wrong with the rows of which the service says so, by their place."""
        super().__init__(reason)


class TooLarge(NotTaken):
    """The service takes so much only in parts."""


class Ask(Exception):  # noqa: N818 - an answer, not a fault of the program
    """The service has questions about a file."""

    def __init__(self, questions: Sequence[Any]) -> None:
        self.questions = list(questions)
        super().__init__("questions are open")


@dataclass(frozen=True)
class Later(Exception):  # noqa: N818 - an answer, not a fault of the program
    """The service does not take anything now."""

    trouble: str
    after_s: float | None = None


class Service:
    """Sends to one site of the service."""

    def __init__(self, given: ServicePart, transport: httpx.BaseTransport | None = None) -> None:
        self._site = f"{given.url}/api/v1/sites/{given.site}"
        self._client = client(given, timeout=given.timeout_s, transport=transport)
        self._client.headers["Authorization"] = f"Bearer {given.token.get_secret_value()}"
        self._url = given.url
        self.compared: Compared | None = None
        """The last comparison of the clocks, if the service tells the time."""

    def look(self) -> Any:
        """Return the site's record."""
        return self._asked("GET", "")

    def send(self, readings: Sequence[Reading]) -> Any:
        """Send readings of one interval length; NotTaken, TooLarge or Later if they were not kept."""
        body = {"interval_min": readings[0].interval_min, "readings": [_row(r) for r in by_row(readings)]}
        return self._asked("POST", "/readings", json=body)

    def send_file(self, file: HeldFile, mapping: str | None) -> Any:
        """Send a whole file; Ask if the service has questions about it."""
        named = {"name": file.name} | ({"mapping": mapping} if mapping else {})
        headers = {"Content-Type": "application/octet-stream"}
        return self._asked("POST", "/exports", params=named, content=file.body, headers=headers)

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    def _asked(self, method: str, path: str, **sent: Any) -> Any:
        asked = on_s()
        try:
            answer = self._client.request(method, self._site + path, **sent)
        except httpx.TransportError as error:
            raise Later(
                f"The service at {self._url} does not answer ({_why(error)}); check this machine's network and the url."
            ) from None
        self._compare(answer, asked)
        return _meaning(answer)

    def _compare(self, answer: httpx.Response, asked: float) -> None:
        try:
            date = parsedate_to_datetime(answer.headers["date"])
        except (KeyError, ValueError):
            return
        if date.tzinfo is not None:
            self.compared = compared(date, asked, on_s())


def by_row(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Return the channels of each unit and start together: they are one row of the contract."""
    rows: dict[tuple[str, int], list[Reading]] = {}
    for r in readings:
        rows.setdefault((r.serial, r.start), []).append(r)
    return list(rows.values())


def _row(readings: Sequence[Reading]) -> dict[str, Any]:
    first = readings[0]
    named = {"serial": first.serial, "start": moment(first.start * 1_000_000).isoformat()}
    return named | {r.channel: r.value for r in readings}


def _meaning(answer: httpx.Response) -> Any:
    status = answer.status_code
    if status == 422:
        raise _refusal(_json(answer).get("errors"))
    if status == 413:
        raise TooLarge("it is too large for the service")
    if status == 409:
        raise Ask(_json(answer).get("questions", []))
    if not answer.is_success:
        raise Later(_REMEDIES.get(status, _other(status)), _after(answer))
    found = _json(answer)
    if not found:
        raise Later("What answers at the service's url is not the service; check the url.")
    return found


_REMEDIES = {
    401: "The service does not know the token; ask the office for a new one and put it where token is read from.",
    403: "The token may not write to this site; ask the office for one that may.",
    404: "The service has no such site, or the token is for another; check url and site.",
    405: "What answers at the service's url does not take readings; check the url, or update the service.",
    415: "The service does not take this form; update the older of service and collector.",
    429: "The service was asked too often with wrong tokens from here; it is asked again later.",
}


_ROW = re.compile(r"readings\[(\d{1,6})\]\.?")


def _other(status: int) -> str:
    if 300 <= status < 400:
        return "The service is at another address by now; ask the office for it and correct the url."
    if status >= 500:
        return f"The service has trouble of its own (status {status}); it is asked again."
    return f"The service answered with status {status}, which it should not; check the url."


def _after(answer: httpx.Response) -> float | None:
    given = answer.headers.get("retry-after", "")
    return float(given) if given.isdecimal() and len(given) < 6 else None


def _refusal(errors: Any) -> NotTaken:
    said = [e for e in errors if isinstance(e, dict)] if isinstance(errors, list) else []
    texts = [f"{e.get('field', '')} {e.get('message', '')}".strip() for e in said]
    rows: dict[int, str] = {}
    for error, text in zip(said, texts, strict=True):
        place = _ROW.match(str(error.get("field", "")))
        if place is not None:
            rows.setdefault(int(place[1]), text[place.end() :])
    return NotTaken("; ".join(texts[:3]) or "the service refused it and did not say why", rows)


def _json(answer: httpx.Response) -> dict[str, Any]:
    try:
        found = json.loads(answer.content)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _why(error: Exception) -> str:
    return str(error).strip() or type(error).__name__
