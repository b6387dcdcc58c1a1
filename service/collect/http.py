"""Devices that answer over HTTP with JSON or CSV, asked again and again at addresses that a person has given."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event
from typing import Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import httpx
from pydantic import Field, SecretStr, model_validator

from service.collect import clock
from service.collect.config import Part, SourcePart, Trust, WebAddress, wrong
from service.collect.csv_rows import CsvPart, as_messages
from service.collect.http_client import client, hindrance
from service.collect.layout import Layout, polled
from service.collect.outbox import LARGEST_FILE_MB
from service.collect.polling import poll
from service.collect.seen import seen
from service.collect.source import Sink
from service.collect.trouble import Trouble
from service.intake.live.model import Sample
from service.intake.live.payload import LARGEST_BYTES, PayloadSpec, Zone, samples_of

DATE = "{date}"
PROBLEMS_TOLD = 2
_WAYS_IN = re.compile(r"(?:^|,)\s*(basic|digest|bearer)\b", re.IGNORECASE)


class Auth(Part):
    """How the device knows the collector (RFC 7617, RFC 7616, RFC 6750)."""

    kind: Literal["basic", "digest", "bearer"]
    user: str = ""
    password: SecretStr | None = None
    token: SecretStr | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.kind == "bearer" and (self.token is None or self.user or self.password):
            raise wrong("of the kind bearer needs a token (token_file or token_env), and nothing else")
        if self.kind != "bearer" and (not self.user or self.password is None or self.token):
            raise wrong(f"of the kind {self.kind} needs user and password (password_file or password_env)")
        return self

    def made(self) -> httpx.Auth:
        """Return it as the library takes it."""
        if self.kind == "bearer":
            return _Bearer(_plain(self.token))
        kind = httpx.BasicAuth if self.kind == "basic" else httpx.DigestAuth
        return kind(self.user, _plain(self.password))


def _plain(secret: SecretStr | None) -> str:
    return secret.get_secret_value() if secret is not None else ""


class _Bearer(httpx.Auth):
    def __init__(self, token: str) -> None:
        self._header = f"Bearer {token}"

    def auth_flow(self, request: httpx.Request) -> Iterator[httpx.Request]:  # type: ignore[override]
        request.headers["Authorization"] = self._header
        yield request


class Days(Part):
    """For an address with `{date}`, which gives one day at a time: how the day is written, and how far to go back."""

    back: int = Field(default=7, ge=0, le=400)
    written: str = "%Y-%m-%d"
    timezone: Zone

    def today(self) -> date:
        """Return the day at the device; Trouble while the time is not known."""
        now = clock.now()
        if clock.is_mark(now):
            raise Trouble("What day it is is known once the service has answered; it is asked then.")
        return now.astimezone(ZoneInfo(self.timezone)).date()


class HttpSource(SourcePart, Trust):
    """Asks one address."""

    kind: Literal["http"]
    url: WebAddress
    every_s: float = Field(default=60, ge=1, le=86_400)
    timeout_s: float = Field(default=20, gt=0, le=300)
    headers: dict[str, str] = Field(default_factory=dict)
    auth: Auth | None = None
    format: Literal["json", "csv", "file"] = "json"
    """`file`: the answer is forwarded whole, for the service to read."""
    payload: PayloadSpec | None = None
    """Where serials, times and values are; of CSV a row has its columns' headings for names."""
    csv: CsvPart = Field(default_factory=CsvPart)
    serials: dict[str, str] = Field(default_factory=dict)
    """The serials on record of units that the device calls otherwise."""
    days: Days | None = None
    mapping: str | None = Field(default=None, min_length=1, max_length=60)

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if (self.payload is None) != (self.format == "file"):
            raise wrong("needs a payload that says where serials and values are, unless format is file")
        if (DATE in self.url) != (self.days is not None):
            raise wrong("with {date} in its url needs days, and days need {date} in the url")
        return self

    def run(self, sink: Sink, stop: Event) -> None:
        """Ask until told to stop."""
        with self._client() as asking:
            poll(self.name, sink, stop, self.every_s, partial(_Asking(self, asking).all, sink))

    def probe(self) -> str:
        """Ask once and say what came."""
        with self._client() as asking:
            body = _Asking(self, asking).answer(self.days.today() if self.days else None)
        if self.payload is None:
            return f"{len(body)} bytes, to be forwarded whole"
        found, problems = self.read(body)
        if problems:
            raise Trouble(" ".join(problems))
        return seen(found, asked={kind: value.path for kind, value in self.payload.values.items()})

    def read(self, body: bytes) -> tuple[list[Sample], list[str]]:
        """Return the samples of an answer, and what of it was not understood."""
        if self.payload is None:
            return [], []
        arrived = clock.CLOCK.latest() if self.payload.time else clock.now()
        messages = as_messages(body, self.csv) if self.format == "csv" else [body]
        found, problems = [], []
        for message in messages:
            samples, wrongs = samples_of(self.payload, message, arrived)
            found += [replace(s, serial=self.serials.get(s.serial, s.serial)) for s in samples]
            problems += [
                f"{p.field}: {p.message}." if p.field else f"The answer {p.message}." for p in wrongs
            ]
        return found, problems

    def layout(self, usual_min: int) -> Layout:
        """Return the payload's intervals; power runs straight over a missed poll."""
        if self.payload is None:
            return Layout(usual_min)
        return polled(self.payload.interval_min, self.every_s, self.payload.label or "start")

    def remembered_as(self) -> str | None:
        """Return the mapping's name."""
        return self.mapping

    def _client(self) -> httpx.Client:
        return client(
            self,
            timeout=self.timeout_s,
            headers=self.headers,
            auth=self.auth.made() if self.auth else None,
            follow_redirects=True,
            max_redirects=5,
            trust_env=False,
            event_hooks={"response": [_stay]},
        )


def _stay(answer: httpx.Response) -> None:
    """End a redirection to another device: what lets the collector in here is not for that one."""
    if answer.has_redirect_location:
        host = answer.request.url.join(answer.headers["location"]).host
        if host != answer.request.url.host:
            raise Trouble(f"The address leads on to another one ({host}); if that is right, make it the url.")


@dataclass
class _Asking:
    source: HttpSource
    client: httpx.Client
    had: date | None = field(default=None)
    """The last day that was had."""

    def all(self, sink: Sink) -> None:
        """Ask for what there is now; where an address gives one day at a time, for the days missed too."""
        days = self.source.days
        if days is None:
            self._take(sink, None)
            return
        today = days.today()
        first = max(self.had or date.min, today - timedelta(days.back))
        for n in range((today - first).days + 1):
            self._take(sink, today - timedelta(n))
        self.had = today

    def _take(self, sink: Sink, day: date | None) -> None:
        body = self.answer(day)
        if self.source.payload is None:
            self._forward(sink, body, day)
            return
        found, problems = self.source.read(body)
        sink.samples(self.source.name, found)
        if problems:
            raise Trouble(" ".join(problems[:PROBLEMS_TOLD]))

    def answer(self, day: date | None) -> bytes:
        """Return the body of the answer; Trouble if there is none."""
        days = self.source.days
        url = self.source.url.replace(DATE, day.strftime(days.written)) if day and days else self.source.url
        try:
            with self.client.stream("GET", url) as answer:
                _check(answer, self.source.auth)
                return _body(
                    answer, LARGEST_FILE_MB * 1_000_000 if self.source.format == "file" else LARGEST_BYTES
                )
        except httpx.TooManyRedirects:
            raise Trouble("The address leads round in circles; correct the url.") from None
        except httpx.HTTPError as error:
            why, remedy = hindrance(error)
            raise Trouble(
                f"It does not answer ({why}); {remedy or 'check its power, its network and the url'}."
            ) from None

    def _forward(self, sink: Sink, body: bytes, day: date | None) -> None:
        last = Path(urlsplit(self.source.url).path).name.replace(DATE, str(day))
        name = re.sub(r"[^\w.-]+", "-", last) or "answer"
        with TemporaryDirectory() as folder:
            file = Path(folder, name)
            file.write_bytes(body)
            sink.file(self.source.name, file)


def _check(answer: httpx.Response, auth: Auth | None) -> None:
    if answer.is_success:
        return
    if answer.status_code == 401:
        raise Trouble(_not_known(answer, auth))
    remedies = {
        403: "It does not let this user read; ask for another one.",
        404: "There is nothing at this address; correct the url.",
    }
    raise Trouble(
        remedies.get(answer.status_code, f"It answers with status {answer.status_code}; it is asked again.")
    )


def _not_known(answer: httpx.Response, auth: Auth | None) -> str:
    """Return why whoever asks is not known, by the ways in that the device names (RFC 9110, 11.6.1)."""
    named = _WAYS_IN.findall(", ".join(answer.headers.get_list("www-authenticate")))
    wanted = " or ".join(dict.fromkeys(way.lower() for way in named))
    if auth is None:
        return f"It wants to know who asks; give it auth of the kind {wanted or 'basic, digest or bearer'}."
    if wanted and auth.kind not in wanted:
        return f"It wants auth of the kind {wanted}, not {auth.kind}; correct the kind."
    given = (
        "this token; correct it" if auth.kind == "bearer" else "this user with this password; correct them"
    )
    return f"It does not take {given}."


def _body(answer: httpx.Response, most: int) -> bytes:
    parts, size = [], 0
    for part in answer.iter_bytes():
        size += len(part)
        if size > most:
            raise Trouble(f"The answer has more than {most} bytes; ask for less at a time.")
        parts.append(part)
    return b"".join(parts)
