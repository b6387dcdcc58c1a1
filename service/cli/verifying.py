"""The `verify` command: verifies sites afresh and prints the ranking and the findings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer
from sqlalchemy import Engine
from sqlmodel import col, select

from service.cli.plain import Failure, open_database, progress, remark, result
from service.cli.tables import one_site, overview
from service.store.database import reading
from service.store.tables import Site
from service.verify.result import Verification

Moment = datetime | None


def verify(
    site: Annotated[list[str] | None, typer.Argument(metavar="SITE...", help="Ids of sites.")] = None,
    all_sites: Annotated[bool, typer.Option("--all", help="Every site that has readings.")] = False,
    start: Annotated[str | None, typer.Option(help="Start of the window, ISO 8601 with an offset.")] = None,
    end: Annotated[str | None, typer.Option(help="End of the window, ISO 8601 with an offset.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the HTTP contract's form alone.")] = False,
) -> None:
    """Verify sites afresh: without a window, on all readings held, up to the last 14 days."""
    window = _moment("--start", start), _moment("--end", end)
    engine = open_database()
    names = _names(engine, site or [], all_sites=all_sites)
    found = _verify_each(engine, names, window)
    if all_sites and not found:
        raise Failure("No site holds readings in that window.")
    if not all_sites and len(found) < len(names):
        _name_the_silent(names, found)
    if as_json:
        _print_json(found, single=len(names) == 1 and not all_sites)
    elif len(found) == 1:
        site_id, verification = found.popitem()
        heading = f"{names[site_id]} ({site_id})"
        result().print(*one_site(heading, verification, _zone(engine, site_id)), sep="\n")
    else:
        result().print(overview(names, found))


def _moment(option: str, text: str | None) -> Moment:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Failure(f"{option}: {text!r} is no time; write it like 2026-05-04T00:00:00+01:00.") from None
    if moment.tzinfo is None:
        raise Failure(f"{option}: {text!r} has no offset; add one, like 2026-05-04T00:00:00+01:00.")
    return moment


def _names(engine: Engine, site_ids: Sequence[str], *, all_sites: bool) -> dict[str, str]:
    """Return the sites' names by id; Failure for an id that no site has."""
    if bool(site_ids) == all_sites:
        raise Failure("Name the sites to verify by their ids, or give --all; not both.")
    query = select(Site.id, Site.name).order_by(col(Site.name))
    with reading(engine) as session:
        known = dict(session.exec(query).all())
    missing = [site_id for site_id in site_ids if site_id not in known]
    if missing:
        raise Failure(f"There is no site {', '.join(missing)}; `yieldproof import site` prints ids.")
    return known if all_sites else {site_id: known[site_id] for site_id in site_ids}


def _verify_each(
    engine: Engine, names: dict[str, str], window: tuple[Moment, Moment]
) -> dict[str, Verification]:
    from service.jobs.verification import verify_site

    found = {}
    for site_id in progress(names, total=len(names), doing="Verifying"):
        verification = verify_site(engine, site_id, *window)
        if verification is not None:
            found[site_id] = replace(verification, curves=None)  # thousands of sites' curves fill the memory
    return found


def _zone(engine: Engine, site_id: str) -> ZoneInfo:
    with reading(engine) as session:
        return ZoneInfo(session.get_one(Site, site_id).record["timezone"])


def _name_the_silent(names: dict[str, str], found: dict[str, Verification]) -> None:
    silent = ", ".join(f"{name} ({site_id})" for site_id, name in names.items() if site_id not in found)
    sentence = (
        f"No readings are held in that window for {silent}; bring some in with `yieldproof import readings`."
    )
    if not found:
        raise Failure(sentence)
    remark(sentence)


def _print_json(found: dict[str, Verification], *, single: bool) -> None:
    contracts: Any = [verification.as_contract(site_id) for site_id, verification in found.items()]
    typer.echo(json.dumps(contracts[0] if single else contracts, indent=2, allow_nan=False))
