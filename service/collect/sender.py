"""Brings what the outbox holds to the service, again and again until it is acknowledged."""

from __future__ import annotations

import logging
import random
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from threading import Event
from typing import Any

from service.collect.clock import TOLD_S, Clock
from service.collect.laying import Laying
from service.collect.outbox import Aside, HeldFile, Outbox, Reading
from service.collect.service import Later, NotTaken, Service, by_row
from service.collect.trouble import Trouble

LARGEST_BATCH, LARGEST_NOTE = 2000, 500
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 600.0
CALL_S = 900.0
"""With nothing to send the service is asked so often all the same, for its clock and for a sign of life."""
AGAIN_S = {"given": 60, "asked": 3600, "refused": 86_400}
"""When to ask again about a file that the service works on, asks about or refuses."""
CLEAR_S = 3600.0

log = logging.getLogger(__name__)


class Sender:
    """Lays out, sends and clears, in one thread."""

    def __init__(
        self,
        outbox: Outbox,
        service: Service,
        laying: Laying,
        clock: Clock,
        *,
        session: str,
        mappings: Mapping[str, str | None],
        every_s: float = 15,
        newest_first: bool = True,
    ) -> None:
        self._outbox, self._service, self._laying, self._clock = outbox, service, laying, clock
        self._session, self._mappings = session, mappings
        self._every_s, self._newest_first = every_s, newest_first
        self._failures = 0
        self._called = self._cleared = -CALL_S
        self._files_after = 0.0

    def run(self, stop: Event) -> None:
        """Go on until told to stop."""
        while not stop.is_set():
            try:
                wait_s = self.step()
            except Exception:
                log.exception("Sending failed for a reason that is not foreseen; it is tried again.")
                wait_s = LONGEST_WAIT_S / 10
            stop.wait(wait_s)

    def step(self) -> float:
        """Do all there is to do now, and return in how many seconds to come again."""
        try:
            self._outbox.date_held()
            laying = self._laying.rated(self._outbox.fact("rated_w"))
            self._outbox.lay(laying, laying.until(self._clock.latest()))
            self._send_all()
            self._clear()
        except Later as later:
            return self._wait(later)
        except Trouble as trouble:
            log.warning("%s", trouble)
            return LONGEST_WAIT_S / 10
        self._failures = 0
        return self._every_s

    def _send_all(self) -> None:
        if time.monotonic() - self._called >= CALL_S:
            record = self._service.look()
            self._outbox.note("rated_w", _rated_w(record))
            self._done()
        while odd := self._outbox.asides_due(LARGEST_NOTE):
            self._tell_of(odd)
        while due := self._outbox.due(LARGEST_BATCH, newest_first=self._newest_first):
            self._send(due)
        self._send_files()

    def _send(self, due: Sequence[Reading]) -> None:
        """Send readings; of those that are refused, find the wrong ones and keep them aside."""
        try:
            answer = self._service.send(due)
        except NotTaken as refusal:
            self._part(due, refusal)
        else:
            self._done()
            self._outbox.sent(due, _kept_out(due, answer))

    def _tell_of(self, odd: Sequence[Aside]) -> None:
        try:
            self._service.note(odd)
        except NotTaken as refusal:
            log.warning("The service does not take what was noticed about counters: %s", refusal)
        self._outbox.asides_told(odd)

    def _part(self, due: Sequence[Reading], refusal: NotTaken) -> None:
        rows = by_row(due)
        wrong = {0: refusal.reason} if len(rows) == 1 else refusal.rows
        named = {i: reason for i, reason in wrong.items() if i < len(rows)}
        for i, reason in named.items():
            for reading in rows[i]:
                log.warning("The service refuses a reading of %s: %s", reading.serial, reason)
                self._outbox.refused(reading, reason)
        rest = [row for i, row in enumerate(rows) if i not in named]
        cut = 0 if named else len(rest) // 2
        for half in (rest[:cut], rest[cut:]):
            if half:
                self._send([reading for row in half for reading in row])

    def _send_files(self) -> None:
        if time.monotonic() < self._files_after:
            return
        now = int(time.time())
        before = {state: now - again_s for state, again_s in AGAIN_S.items()}
        for file in self._outbox.files_due(self._way, before):
            try:
                self._send_file(file)
            except Later as later:
                self._files_after = time.monotonic() + (later.after_s or LONGEST_WAIT_S)
                self._tell(later.trouble)
                return

    def _send_file(self, file: HeldFile) -> None:
        found = self._service.file_state(file.location) if file.location else None
        if found is None or found.state == "asked":
            mapping = self._mappings.get(file.source)
            found = self._service.send_file(file, self._outbox.body(file), mapping)
        self._done()
        self._outbox.file_done(file.digest, found.state, found.as_json(), self._way(file.source))

    def _way(self, source: str) -> str:
        return self._mappings.get(source) or ""

    def _done(self) -> None:
        """Note that the service answers as it should, and what its clock shows."""
        self._called = time.monotonic()
        self._outbox.note("service_trouble", None)
        found, before = self._service.compared, self._clock.compared
        if found is None:
            if not self._clock.is_known:  # the service tells no time
                self._clock.trust()
            return
        first = before is None
        self._clock.compared = found
        if (
            before is None
            or abs(found.ahead_s - before.ahead_s) > TOLD_S
            or found.on_s - before.on_s > CALL_S
        ):
            self._outbox.note("clock", {"session": self._session, **found.as_json()})
        if first:
            self._outbox.date_held()

    def _wait(self, later: Later) -> float:
        self._tell(later.trouble)
        self._failures += 1
        wait: float = min(FIRST_WAIT_S * 2 ** min(self._failures - 1, 20), LONGEST_WAIT_S)
        return max(wait * random.uniform(0.5, 1.0), later.after_s or 0)  # noqa: S311 - spreads load, hides nothing

    def _tell(self, trouble: str) -> None:
        before = self._outbox.fact("service_trouble") or {}
        if before.get("text") != trouble:
            log.warning("%s", trouble)
            since = before.get("since") or int(time.time())
            self._outbox.note("service_trouble", {"text": trouble, "since": since})

    def _clear(self) -> None:
        if self._clock.is_known and time.monotonic() - self._cleared > CLEAR_S:
            self._outbox.clear(int(self._clock.now().timestamp()))
            self._cleared = time.monotonic()


def _rated_w(record: Any) -> float | None:
    """Return the largest rating of a unit on record."""
    try:
        return max(float(kind["ac_rated_w"]) for kind in record["inverter_types"])
    except (KeyError, TypeError, ValueError):
        return None


def _kept_out(due: Sequence[Reading], answer: Any) -> list[tuple[Reading, str]]:
    """Return the readings that the service has and does not compute with, by the problems that it lists."""
    problems = answer.get("problems") if isinstance(answer, dict) else None
    reasons = {}
    for problem in problems if isinstance(problems, list) else []:
        start = _seconds(problem.get("start"))
        if start is not None:
            reasons[problem.get("serial"), start, problem.get("field")] = str(problem.get("message"))
    return [(r, reasons[key]) for r in due if (key := (r.serial, r.start, r.channel)) in reasons]


def _seconds(text: Any) -> int | None:
    try:
        return int(datetime.fromisoformat(text).astimezone(UTC).timestamp())
    except (TypeError, ValueError):
        return None
