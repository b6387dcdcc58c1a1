"""The demo from start to finish, as a user starts it: on a free port, in a folder of its own."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from service.demo.run import run_demo
from service.demo.scenario import HEALTHY, MENDED, MENDED_FAULT, SITES, DemoSite
from service.jobs.verification import current
from service.settings import SettingsError
from service.store import photos, punch, sites
from service.store.database import make_engine, reading
from service.verify.result import Verification

READY_S = 120
"""Far above the aim of 20 s, so that a loaded machine fails no test: speed is for benchmarks."""

START = "import sys; from pathlib import Path; from service.demo.run import run_demo; run_demo(0, Path(sys.argv[1]))"
FIRST_CAUSES = {
    "not_reporting", "not_on_record", "no_output", "substring_out", "low_output", "data_gap", "unit_scale",
}  # fmt: skip


@contextmanager
def _running(folder: Path) -> Iterator[dict[str, Any]]:
    """Start the demo in `folder`, give its links once they are printed, and interrupt it."""
    demo = subprocess.Popen(
        [sys.executable, "-u", "-c", START, str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        _wait_until_printed(demo)
        yield json.loads((folder / "links.json").read_text())
    finally:
        demo.send_signal(signal.SIGINT)
        _, errors = demo.communicate(timeout=30)
    assert demo.returncode == 0, errors


def _wait_until_printed(demo: subprocess.Popen[str]) -> None:
    assert demo.stdout is not None
    latest = time.monotonic() + READY_S
    for line in demo.stdout:
        if "Ctrl+C" in line:
            return
        assert time.monotonic() < latest, "not ready"
    assert demo.stderr is not None
    pytest.fail(demo.stderr.read())


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[dict[str, Any], Path]]:
    folder = tmp_path_factory.mktemp("demo") / "new folder"
    with _running(folder) as links:
        yield links, folder


@pytest.fixture(scope="module")
def found(shown: tuple[dict[str, Any], Path]) -> dict[str, Verification]:
    engine = make_engine(f"sqlite:///{shown[1] / 'yieldproof.sqlite'}")
    with reading(engine) as session:
        held, count = sites.page(session, offset=0, limit=100)
    assert count == len(SITES)
    verifications = {site.name: current(engine, site.id) for site in held}
    engine.dispose()
    assert None not in verifications.values()
    return {name: v for name, v in verifications.items() if v is not None}


def _causes(verification: Verification) -> set[str]:
    return {finding.cause for finding in verification.findings}


def test_links_answer_once_signed_in(shown: tuple[dict[str, Any], Path]) -> None:
    links, _ = shown
    origin = links["office"].rstrip("/")
    with httpx.Client(follow_redirects=True, trust_env=False) as browser:
        form = {"name": links["sign_in"]["user"], "password": links["sign_in"]["password"], "next": "/"}
        answer = browser.post(f"{origin}/sign-in", data=form, headers={"Origin": origin})
        assert answer.status_code == 200
        for site in SITES:
            assert site.name in answer.text
        for name in ("van", "office"):
            page = browser.get(links[name])
            assert page.status_code == 200
            assert urlsplit(str(page.url)).path == urlsplit(links[name]).path


def test_the_installer_sees_the_sites_that_are_not_handed_over(shown: tuple[dict[str, Any], Path]) -> None:
    links, _ = shown
    origin = links["office"].rstrip("/")
    with httpx.Client(follow_redirects=True, trust_env=False) as browser:
        installer = links["installer_sign_in"]
        form = {"name": installer["user"], "password": installer["password"], "next": "/?week=all"}
        listed = browser.post(f"{origin}/sign-in", data=form, headers={"Origin": origin}).text
        assert {site.name for site in SITES if site.name in listed} == {s.name for s in SITES} - {HEALTHY}
        assert browser.get(links["van"]).status_code == 200


def test_owner_needs_no_account(shown: tuple[dict[str, Any], Path]) -> None:
    page = httpx.get(shown[0]["owner"], trust_env=False)
    assert page.status_code == 200
    assert HEALTHY in page.text


def test_without_signing_in_the_pages_ask_for_it(shown: tuple[dict[str, Any], Path]) -> None:
    for name in ("van", "office"):
        page = httpx.get(shown[0][name], follow_redirects=True, trust_env=False)
        assert page.status_code == 200
        assert urlsplit(str(page.url)).path == "/sign-in"


def test_passwords_and_key_are_kept_from_others(shown: tuple[dict[str, Any], Path]) -> None:
    links, folder = shown
    assert (folder / "links.json").stat().st_mode & 0o077 == 0
    assert (folder / "secret.key").stat().st_mode & 0o077 == 0
    assert links["sign_in"]["password"] != links["installer_sign_in"]["password"]


@pytest.mark.parametrize("site", SITES, ids=lambda s: s.name)
def test_what_was_planted_is_found(found: dict[str, Verification], site: DemoSite) -> None:
    planted = {fault.cause for fault in site.faults if fault.until_day is None} & FIRST_CAUSES
    if site.scale != 1:
        planted.add("unit_scale")
    assert planted <= _causes(found[site.name])


def test_a_return_visit_is_on_the_list_closed_by_proof(shown: tuple[dict[str, Any], Path]) -> None:
    engine = make_engine(f"sqlite:///{shown[1] / 'yieldproof.sqlite'}")
    site = next(site for site in SITES if site.name == MENDED)
    with reading(engine) as session:
        held, _ = sites.page(session, offset=0, limit=100)
        site_id = next(h.id for h in held if h.name == MENDED)
        entry = punch.find(session, site_id, 1)
        steps = [s for s in punch.steps(session, site_id) if s.number == 1]
        photo = photos.find(session, site_id, next(s.photo_id for s in steps if s.photo_id))
    engine.dispose()
    assert entry is not None
    assert photo is not None
    assert (entry.state, entry.serials) == ("closed", [site.serials[MENDED_FAULT.units[0]]])
    assert [s.what for s in steps] == ["opened", "given", "looked_at", "mended", "closed"]
    assert [s.at for s in steps] == sorted(s.at for s in steps)
    change = steps[-1].details
    assert change["before"]["high"] < change["after"]["low"]


def test_every_first_cause_is_shown_somewhere(found: dict[str, Verification]) -> None:
    named = set().union(*(_causes(v) for v in found.values()))
    assert FIRST_CAUSES | {"clipping"} <= named


def test_the_site_without_a_fault_is_verified(found: dict[str, Verification]) -> None:
    assert found[HEALTHY].verdict == "verified"
    assert {s.name for s in SITES if found[s.name].verdict == "verified"} == {HEALTHY}


@pytest.mark.parametrize("site", SITES, ids=lambda s: s.name)
def test_no_healthy_unit_is_accused(found: dict[str, Verification], site: DemoSite) -> None:
    struck = {
        serial for f in site.faults for n in f.units for serial in (site.serials[n], site.noted_serials()[n])
    }
    accused = {s for f in found[site.name].findings if f.is_fault for s in f.serials}
    assert accused <= struck


def test_a_second_start_shows_the_same(shown: tuple[dict[str, Any], Path]) -> None:
    links, folder = shown
    with _running(folder) as again:  # on another port: the first one still runs
        for name in ("van", "office", "owner"):
            assert urlsplit(again[name]).path == urlsplit(links[name]).path
            assert again[name] != links[name]
        assert again["sign_in"] == links["sign_in"]
        assert httpx.get(again["owner"], trust_env=False).status_code == 200


def test_a_taken_port_is_one_clear_sentence(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(
            SettingsError, match=rf"^Port {port} cannot be used \(Address already in use\); .*--port"
        ):
            run_demo(port, tmp_path)
    assert list(tmp_path.iterdir()) == []
