"""The service as the collector sees it: HTTP answers, put into what they mean for what was sent."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from socket import gethostname
from typing import Any, Literal

import httpx

from service.collect.clock import Compared, compared, on_s
from service.collect.config import ServicePart
from service.collect.http_client import client, hindrance
from service.collect.outbox import Aside, HeldFile, Reading, moment


class NotTaken(Exception):  # noqa: N818 - an answer, not a fault of the program
    """The service refuses what was sent, as it is; sending it again would not help."""

    def __init__(self, reason: str, rows: Mapping[int, str] | None = None) -> None:
        self.reason, self.rows = reason, dict(rows or {})
        """What is wrong with the rows of which the service says so, by their place."""
        super().__init__(reason)


class TooLarge(NotTaken):
    """The service takes so much only in parts."""


@dataclass(frozen=True)
class FileState:
    """How far a file has come: `sent`, `given` (the service works on it), `asked` (it has questions), `refused`."""

    state: Literal["sent", "given", "asked", "refused"]
    location: str = ""
    said: Sequence[str] = ()

    def as_json(self) -> dict[str, Any]:
        """Return what is noted of it beside its state."""
        return {"location": self.location, "said": list(self.said)}


class Later(Exception):  # noqa: N818 - an answer, not a fault of the program
    """The service takes nothing now: why and what to do, and in how many seconds it may, if it says so."""

    def __init__(self, trouble: str, after_s: float | None = None) -> None:
        self.trouble, self.after_s = trouble, after_s
        super().__init__(trouble)


class Service:
    """Sends to one site of the service."""

    def __init__(self, given: ServicePart, transport: httpx.BaseTransport | None = None) -> None:
        self._site = f"{given.url}/api/v1/sites/{given.site}"
        self._client = client(given, timeout=given.timeout_s, transport=transport)
        self._client.headers["Authorization"] = f"Bearer {given.token.get_secret_value()}"
        self._client.headers["Yieldproof-Source"] = _own_name()
        self._url = given.url
        self.compared: Compared | None = None
        """The last comparison of the clocks, if the service tells the time."""

    def look(self) -> dict[str, Any]:
        """Return the site's record; Later if there is none."""
        return _with("units", _meaning(self._asked("GET", self._site)))

    def send(self, readings: Sequence[Reading]) -> dict[str, Any]:
        """Send readings of one interval length; NotTaken, TooLarge or Later if they were not kept."""
        body = {"interval_min": readings[0].interval_min, "readings": [_row(r) for r in by_row(readings)]}
        return _with("accepted", _meaning(self._asked("POST", f"{self._site}/readings", json=body)))

    def note(self, odd: Sequence[Aside]) -> None:
        """Tell what was noticed about counters; a service that is older than that does not want to know."""
        counters = [
            {"serial": o.serial, "at": moment(o.at).isoformat(), "message": o.reason[:300]} for o in odd
        ]
        answer = self._asked("POST", f"{self._site}/quality", json={"counters": counters})
        if answer.status_code != 405:
            _with("noted", _meaning(answer))

    def send_file(self, file: HeldFile, body: bytes, mapping: str | None) -> FileState:
        """Send a whole file; Later if nobody looked at it."""
        named = {"name": file.name} | ({"mapping": mapping} if mapping else {})
        headers = {"Content-Type": "application/octet-stream"}
        return _file_state(
            self._asked("POST", f"{self._site}/exports", params=named, content=body, headers=headers)
        )

    def file_state(self, location: str) -> FileState | None:
        """Return how far a file has come that was sent before, None if the service has it no more."""
        answer = self._asked("GET", f"{self._url}/{location.lstrip('/')}")
        return None if answer.status_code == 404 else _file_state(answer)

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    def _asked(self, method: str, url: str, **sent: Any) -> httpx.Response:
        asked = on_s()
        try:
            answer = self._client.request(method, url, **sent)
        except httpx.TransportError as error:
            why, remedy = hindrance(error)
            remedy = remedy or "check this machine's network and the url"
            raise Later(f"The service at {self._url} does not answer ({why}); {remedy}.") from None
        self._compare(answer, asked)
        return answer

    def _compare(self, answer: httpx.Response, asked: float) -> None:
        try:
            date = parsedate_to_datetime(answer.headers["date"])
        except (KeyError, ValueError):
            return
        if date.tzinfo is not None:
            self.compared = compared(date, asked, on_s())


def _own_name() -> str:
    """Return what tells this collector from another with the same token."""
    return f"collector {gethostname()}"[:100].encode("ascii", "replace").decode()


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


def _meaning(answer: httpx.Response) -> dict[str, Any]:
    status = answer.status_code
    if status == 422:
        raise _refusal(_json(answer).get("errors"))
    if status == 413:
        raise TooLarge("it is larger than the service takes")
    if not answer.is_success:
        raise Later(_REMEDIES.get(status, _other(status)), _after(answer))
    return _json(answer)


def _with(name: str, answer: dict[str, Any]) -> dict[str, Any]:
    """Return an answer that is the service's own: other things on the way say 200 too."""
    if name not in answer:
        raise Later(
            "What answers at the service's url is not the service; check the url, and who else answers there."
        )
    return answer


def _file_state(answer: httpx.Response) -> FileState:
    body = _json(answer)
    if answer.status_code == 409:
        return FileState("asked", str(body.get("location", "")), _questions(body))
    try:
        _with("state", _meaning(answer))
    except NotTaken as refusal:
        return FileState("refused", said=[refusal.reason])
    location = answer.headers.get("location") or answer.request.url.path
    match body["state"]:
        case "done":
            counts = ("accepted", "replaced", "rejected")
            return FileState("sent", location, [", ".join(f"{body.get(n) or 0} {n}" for n in counts)])
        case "asks":
            return FileState("asked", location, _questions(body))
        case "failed":
            return FileState("refused", said=[_refusal(body.get("errors")).reason])
        case _:
            return FileState("given", location)


def _questions(body: dict[str, Any]) -> list[str]:
    asked = body.get("questions")
    return [
        str(question.get("text") or question.get("key"))
        for question in (asked if isinstance(asked, list) else [])
        if isinstance(question, dict)
    ]


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
