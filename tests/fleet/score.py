"""How many of a fleet's faults a judge finds and names, and how many healthy units it accuses.

`python -m tests.fleet.score --sites 120 --days 1` scores the service's own verification. Sites are made in two
processes and kept in the user's temporary folder by the digest of the code that made them.
"""

from __future__ import annotations

import getpass
import hashlib
import pickle
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import track
from rich.table import Column, Table

from service.verify.result import INFORMATION_CAUSES, Finding, Verification
from service.verify.run import verify
from tests.fleet.faults import LATER, PRIMARY
from tests.fleet.simulate import FleetSite, make_site
from tests.fleet.skies import SKIES

VISIBLE = 0.025
"""Share of the window's energy from which a fault counts."""

SITE_WIDE = frozenset({"unit_scale", "data_gap"})
MADE_FROM = ("tests/fleet/*.py", "service/expect/site.py", "service/verify/inputs.py")
PROCESSES = 2

Judge = Callable[[FleetSite], Verification]


@dataclass
class Tally:
    """Counts under one sky: of planted faults by cause, how many found and how many flagged at all."""

    planted: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    flagged: Counter[str] = field(default_factory=Counter)
    healthy: int = 0
    accused: Counter[str] = field(default_factory=Counter)
    accused_units: int = 0
    sites: int = 0
    accused_sites: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take the other's counts in."""
        for name in ("planted", "found", "flagged", "accused", "accused_sites"):
            getattr(self, name).update(getattr(other, name))
        self.healthy += other.healthy
        self.accused_units += other.accused_units
        self.sites += other.sites
        self.notes += other.notes

    def share_found(self, causes: Iterable[str]) -> float:
        """Return found over planted for these causes; 1 where none was planted."""
        causes = tuple(causes)
        planted = sum(self.planted[c] for c in causes)
        return sum(self.found[c] for c in causes) / planted if planted else 1.0

    @property
    def share_accused(self) -> float:
        """Return the share of healthy units with any cause that is a fault."""
        return self.accused_units / self.healthy if self.healthy else 0.0


def judge(fleet_site: FleetSite) -> Verification:
    """Return what the service makes of the site without any weather."""
    return verify(fleet_site.site, fleet_site.readings, None)


def causes_by_serial(result: Verification) -> dict[str, set[str]]:
    """Return all faults held against each serial, by the ranking and by the findings."""
    named: dict[str, set[str]] = {u.serial: set(u.causes) for u in result.units}
    for finding in result.findings:
        for serial in finding.serials:
            named.setdefault(serial, set()).add(finding.cause)
    return {serial: causes - INFORMATION_CAUSES for serial, causes in named.items()}


def tally(fleet_site: FleetSite, result: Verification) -> Tally:
    """Return one site's counts."""
    out, named = Tally(sites=1), causes_by_serial(result)
    for serial, fault in fleet_site.truth.items():
        if fault.visible >= VISIBLE:
            _count_fault(out, fleet_site, serial, fault.cause, named, result.findings)
    for cause, value in fleet_site.site_truth.items():
        _count_site_fault(out, fleet_site, cause, value, result.findings)
    _count_healthy(out, fleet_site, named)
    _count_site_accused(out, fleet_site, result.findings)
    return out


def _count_fault(
    out: Tally,
    fleet_site: FleetSite,
    serial: str,
    cause: str,
    named: dict[str, set[str]],
    findings: tuple[Finding, ...],
) -> None:
    causes = set(named.get(serial, set()))
    if cause == "not_reporting" and any(_resembles(f, serial) for f in findings):
        causes.add("not_reporting")  # the finding about the stranger names the recorded serial beside it
    out.planted[cause] += 1
    out.found[cause] += cause in causes
    out.flagged[cause] += bool(causes)
    if cause not in causes:
        out.notes.append(f"{_label(fleet_site)}: {serial} is {cause}, named {sorted(causes) or 'nothing'}")


def _resembles(finding: Finding, serial: str) -> bool:
    return finding.cause == "not_on_record" and serial in str(finding.details.get("resembles", ""))


def _count_site_fault(
    out: Tally, fleet_site: FleetSite, cause: str, value: float, findings: tuple[Finding, ...]
) -> None:
    key = f"site {cause}"
    said = [f for f in findings if f.cause == cause]
    right = bool(said) and (cause != "unit_scale" or _same_factor(said[0], value))
    out.planted[key] += 1
    out.found[key] += right
    out.flagged[key] += bool(said)
    if not right:
        out.notes.append(
            f"{_label(fleet_site)}: site has {cause} {value:.4g}, named {[f.details for f in said]}"
        )


def _same_factor(finding: Finding, value: float) -> bool:
    factor = float(finding.details.get("factor", 0))
    return abs(factor / value - 1) < 0.02


def _count_healthy(out: Tally, fleet_site: FleetSite, named: dict[str, set[str]]) -> None:
    for unit in fleet_site.site.units:
        if unit.serial in fleet_site.truth:
            continue
        out.healthy += 1
        wrong = named.get(unit.serial, set()) - (SITE_WIDE & fleet_site.site_truth.keys())
        out.accused.update(wrong)
        out.accused_units += bool(wrong)
        if wrong:
            out.notes.append(f"{_label(fleet_site)}: {unit.serial} is healthy, named {sorted(wrong)}")


def _count_site_accused(out: Tally, fleet_site: FleetSite, findings: tuple[Finding, ...]) -> None:
    wide = {f.cause for f in findings if f.is_fault and not f.serials}
    wrong = wide - fleet_site.site_truth.keys()
    out.accused_sites.update(wrong)
    if wrong:
        out.notes.append(f"{_label(fleet_site)}: the site is said to have {sorted(wrong)}")


def _label(fleet_site: FleetSite) -> str:
    where = f"{fleet_site.site.name}, {fleet_site.sun_hours:.1f} h of sun a day"
    return f"seed {fleet_site.seed} {fleet_site.sky} ({where})"


def score(sites: Iterable[FleetSite], judge: Judge = judge) -> dict[str, Tally]:
    """Return the counts by sky and, under 'all', of every site together."""
    by_sky: dict[str, Tally] = {}
    total = Tally()
    for fleet_site in sites:
        counts = tally(fleet_site, judge(fleet_site))
        by_sky.setdefault(fleet_site.sky, Tally()).add(counts)
        total.add(counts)
    return {**by_sky, "all": total}


# --- sites, kept between runs


@cache
def _code_digest() -> str:
    root = Path(__file__).parents[2]
    files = sorted(path for pattern in MADE_FROM for path in root.glob(pattern) if path.name != "score.py")
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:16]


def _shelf() -> Path:
    shelf = Path(tempfile.gettempdir()) / f"yieldproof-fleet-{getpass.getuser()}" / _code_digest()
    shelf.mkdir(parents=True, exist_ok=True, mode=0o700)
    return shelf


def kept_site(seed: int, *, days: int) -> FleetSite:
    """Return the site of this seed, skies taken in turn, from the shelf or made and put there."""
    sky = list(SKIES)[seed % len(SKIES)]
    path = _shelf() / f"{seed}-{days}.pickle"
    if path.exists():
        kept: FleetSite = pickle.loads(path.read_bytes())  # noqa: S301  (our own file, in a folder of our own)
        return kept
    made = make_site(seed, sky=sky, days=days)
    path.write_bytes(pickle.dumps(made))
    return made


def fleet(sites: int, *, days: int = 1, first_seed: int = 0) -> Iterator[FleetSite]:
    """Give sites of consecutive seeds, made ahead in two processes."""
    seeds = range(first_seed, first_seed + sites)
    with ProcessPoolExecutor(PROCESSES) as pool:
        yield from pool.map(partial(kept_site, days=days), seeds, chunksize=4)


# --- the report


def table(scores: dict[str, Tally]) -> Table:
    """Return the scores as a table: a row a cause, found/planted by sky."""
    report = Table(
        Column(no_wrap=True), *scores, title="found with the right cause / planted (flagged with any)"
    )
    causes = [c for c in (*PRIMARY, "site unit_scale", "site data_gap", *LATER) if scores["all"].planted[c]]
    for cause in causes:
        report.add_row(cause, *(_cell(t, cause) for t in scores.values()), end_section=cause in causes[-1:])
    found = (f"{t.share_found(PRIMARY):.1%}" for t in scores.values())
    report.add_row("[bold]six unit causes", *found)
    accused = (f"{t.accused_units}/{t.healthy} ({t.share_accused:.2%})" for t in scores.values())
    report.add_row("[bold]healthy accused", *accused)
    report.add_row("  of what", *(_listed(t.accused) for t in scores.values()))
    report.add_row(
        "[bold]sites accused", *(f"{_listed(t.accused_sites)} / {t.sites}" for t in scores.values())
    )
    return report


def _listed(counts: Counter[str]) -> str:
    return ", ".join(f"{cause} {n}" for cause, n in counts.items()) or "none"


def _cell(counts: Tally, cause: str) -> str:
    if not counts.planted[cause]:
        return ""
    return f"{counts.found[cause]}/{counts.planted[cause]} ({counts.flagged[cause]})"


def main(
    sites: Annotated[int, typer.Option(help="How many sites.")] = 120,
    days: Annotated[int, typer.Option(help="How many days each.")] = 1,
    first_seed: Annotated[int, typer.Option(help="The first site's seed.")] = 0,
    notes: Annotated[bool, typer.Option(help="List every miss and every false accusation.")] = False,
) -> None:
    """Score the service's verification on a fleet of invented sites."""
    watched = track(fleet(sites, days=days, first_seed=first_seed), total=sites, description="judging")
    scores = score(watched)
    console = Console()
    if notes:
        console.print(*scores["all"].notes, sep="\n", highlight=False)
    console.print(table(scores))


if __name__ == "__main__":
    typer.run(main)
