"""`python -m tests.bench.fuzz`: spoiled files and payloads, one after another, against a real server.

It ends with 1 if an answer was a fault of ours (500 and above, or none at all), took over 10 s, or the server held more
than 500 MB at any time. What it sent then is kept in a folder; `--only NUMBER` sends that one again.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from random import Random
from typing import Annotated

import httpx
import typer
from rich.progress import track

from tests.bench.fuzz.mutate import spoiled
from tests.bench.fuzz.targets import TARGETS, Target
from tests.bench.served import Served, served
from tests.intake.export.corpus import RECORD
from tests.intake.roof import record

LONGEST_S = 10
LARGEST_MB = 500
LOOK_AFTER_EVERY = 200


@dataclass
class Score:
    """What one address answered."""

    statuses: Counter[int] = field(default_factory=Counter)
    slowest_s: float = 0.0
    faults: list[str] = field(default_factory=list)


class Fuzz:
    """A server with one site for each address, and what it answered."""

    def __init__(self, server: Served, seed: int, kept: Path) -> None:
        """Make the sites and the good bodies."""
        self.server, self.seed, self.kept = server, seed, kept
        self.sites = {target: self._new_site(target) for target in TARGETS}
        self.scores = {target: Score() for target in TARGETS}
        self.good = {target: self._accepted(target) for target in TARGETS}

    def send(self, number: int) -> None:
        """Send the spoiled body of that number."""
        random = Random(f"{self.seed}:{number}")  # noqa: S311 - no secret
        target = random.choices(TARGETS, [t.share for t in TARGETS])[0]
        body = spoiled(random, self.good[target])
        score = self.scores[target]
        began = time.perf_counter()
        try:
            status, text = self._ask(target, body)
        except httpx.HTTPError as error:
            status, text = 0, repr(error)
        took = time.perf_counter() - began
        score.statuses[status] += 1
        score.slowest_s = max(score.slowest_s, took)
        if status == 0 or status >= 500 or took > LONGEST_S:
            self._keep(target, number, body, f"{status} after {took:.1f} s: {text[:300]}")

    def look_after(self) -> None:
        """Make the sites again that a spoiled record has bent, so that good bodies go on to be good."""
        for target, site in self.sites.items():
            self.server.client.put(f"/api/v1/sites/{site}", json=_record_for(target))

    def peak_mb(self) -> float:
        """Return the most memory that the server ever held."""
        status = Path(f"/proc/{self.server.pid}/status").read_text()
        return int(status.split("VmHWM:")[1].split()[0]) / 1024

    def _ask(self, target: Target, body: bytes) -> tuple[int, str]:
        if target.direct is not None:
            return _asked_directly(target.direct, body)
        path = target.path.format(site=self.sites[target])
        client = self.server.person if target.by_person else self.server.client
        answer = client.request(
            target.method, path, content=body, headers={"Content-Type": target.content_type}, timeout=60
        )
        assert answer.url.path != "/sign-in", "whoever was signed in is no more"
        return answer.status_code, answer.text

    def _accepted(self, target: Target) -> list[bytes]:
        """Return the good bodies that are taken; if few are, nothing would be tried."""
        good = target.good()
        taken = [body for body in good if 200 <= self._ask(target, body)[0] < 300]
        if 2 * len(taken) < len(good):
            raise SystemExit(f"{target.name}: only {len(taken)} of {len(good)} good bodies are taken")
        return taken

    def _keep(self, target: Target, number: int, body: bytes, what: str) -> None:
        self.kept.mkdir(parents=True, exist_ok=True)
        (self.kept / f"{number}.body").write_bytes(body)
        self.scores[target].faults.append(f"{number}: {what}")

    def _new_site(self, target: Target) -> str:
        answer = self.server.client.post("/api/v1/sites", json=_record_for(target))
        answer.raise_for_status()
        return str(answer.json()["id"])


def _asked_directly(read: Callable[[bytes], object], body: bytes) -> tuple[int, str]:
    try:
        read(body)
    except Exception as fault:
        return HTTPStatus.INTERNAL_SERVER_ERROR, repr(fault)
    return HTTPStatus.OK, ""


def _record_for(target: Target) -> dict[str, object]:
    return RECORD if target.path.partition("?")[0].endswith("/exports") else record()


def _numbers(fuzz: Fuzz, count: int) -> Iterator[int]:
    for number in track(range(count), description="Sending", disable=not sys.stderr.isatty()):
        if number and number % LOOK_AFTER_EVERY == 0:
            fuzz.look_after()
        yield number


def _report(fuzz: Fuzz, seconds: float) -> bool:
    sent = 0
    for target, score in fuzz.scores.items():
        count = score.statuses.total()
        sent += count
        answers = ", ".join(f"{n} times {status}" for status, n in sorted(score.statuses.items()))
        print(f"{target.name}: {count} sent; {answers}; slowest {score.slowest_s:.2f} s")
        for fault in score.faults[:20]:
            print(f"  FAULT {fault}")
    faults = sum(len(score.faults) for score in fuzz.scores.values())
    peak = fuzz.peak_mb()
    print(f"{sent} in {seconds:.0f} s; {faults} faults; at most {peak:.0f} MB (allowed {LARGEST_MB})")
    return faults == 0 and peak <= LARGEST_MB


def main(
    count: Annotated[int, typer.Option(help="How many are sent.")] = 100_000,
    seed: Annotated[int, typer.Option(help="Another seed spoils otherwise.")] = 0,
    only: Annotated[int | None, typer.Option(help="Send only the one of this number.")] = None,
    kept: Annotated[Path, typer.Option(help="Folder for what was answered wrongly.")] = Path("fuzz-faults"),
) -> None:
    """Send spoiled files and payloads to a real server, and tell what it made of them."""
    with tempfile.TemporaryDirectory() as folder, served(Path(folder), worker=True) as server:
        fuzz = Fuzz(server, seed, kept)
        began = time.perf_counter()
        with suppress(KeyboardInterrupt):  # then it tells of what was sent until then
            for number in _numbers(fuzz, count) if only is None else (only,):
                fuzz.send(number)
        sound = _report(fuzz, time.perf_counter() - began)
    raise typer.Exit(0 if sound else 1)


if __name__ == "__main__":
    typer.run(main)
