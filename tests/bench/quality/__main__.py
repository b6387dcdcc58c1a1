"""`python -m tests.bench.quality`: plant each trouble into invented sites' readings, and count what is found.

Sound readings are those of the benchmark's healthy sites, of its sites with faults of units (a dead module is no
trouble of its readings), and of the demo. On these nothing may be said; gaps are not counted where one was planted.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Iterator
from datetime import date
from typing import Annotated

import numpy as np
import typer
from rich.console import Console
from rich.progress import track
from rich.table import Table

from service.demo.scenario import SITES, DemoSite
from service.demo.simulate import simulate
from service.jobs.assemble import site_from_record
from service.jobs.quality import Noted, arrived
from service.quality.look import look
from service.quality.model import Arrived
from service.verify.inputs import Readings
from tests.bench.fleet.plan import WINDOWS, Window, plan
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite
from tests.bench.quality.plant import KINDS, PLANTS, NoRoom, Plant, Planted

GAPS = frozenset({"gap_site", "gap_units"})
CLOCK = frozenset({"clock_step", "night_output"})
EXCUSED = {"data_gap": GAPS, "intermittent": GAPS, "branch_out": GAPS, "clock_shift": CLOCK}
"""What may be said where that was planted in the fleet: it is so."""

Counts = Counter[tuple[str, str]]
"""By what was asked (`planted`, `found`, `false`) and the kind of finding."""


def main(
    sites: Annotated[int, typer.Option(help="How many sites a window.", min=1)] = 60,
    first_seed: Annotated[int, typer.Option(help="The first site's seed.", min=0)] = 5000,
    window: Annotated[str, typer.Option(help="30min, 1d, 7d or all.")] = "all",
    notes: Annotated[bool, typer.Option(help="List every miss and every false finding.")] = False,
) -> None:
    """Print how many planted troubles are found, and on how many sites a finding is none."""
    warnings.simplefilter("ignore")
    console = Console(width=130)
    said: list[str] = []
    for one in WINDOWS:
        if window in ("all", one):
            seeds = range(first_seed, first_seed + sites)
            planned = (kept(plan(seed, one)) for seed in track(seeds, one, transient=True, console=console))
            console.print(_table(one, list(_counted(planned, said))))
    console.print(_demo(said))
    if notes:
        console.print(*said, sep="\n", highlight=False, markup=False, soft_wrap=True)


def _counted(sites: Iterator[BenchSite], said: list[str]) -> Iterator[tuple[str, Counts]]:
    """Give for each site whether it is healthy or has faulty units, and its counts."""
    for site in sites:
        label = f"{site.plan.seed} {site.plan.window} {site.plan.interval_min} min"
        sent = arrived(site.site, site.readings, Noted())
        causes = {f.cause for found in site.faults.values() for f in found}
        causes |= {site.site_fault.cause} if site.site_fault else set()
        excused = frozenset().union(*(EXCUSED.get(cause, frozenset()) for cause in causes))
        counts = _false(sent, excused, f"{label}, {sorted(causes) or 'healthy'}", said)
        if not causes:
            counts += _found(sent, site.plan.seed, label, said)
        yield "with faults" if causes else "healthy", counts


def _false(sent: Arrived, excused: frozenset[str], label: str, said: list[str]) -> Counts:
    findings = [f for f in look(sent).findings if f.kind not in excused]
    said += [
        f"{label}: falsely {f.kind} {f.serials[:3]} {f.first} {f.values} {dict(f.numbers)}" for f in findings
    ]
    counts = Counter({("false", f.kind): 1 for f in findings})
    return counts + Counter({("site", "any"): 1, ("false", "any"): int(bool(findings))})


def _found(sent: Arrived, seed: int, label: str, said: list[str]) -> Counts:
    counts: Counts = Counter()
    for number, (kind, plant) in enumerate(PLANTS.items()):
        planted = _planted(plant, sent, np.random.default_rng([seed, number]))
        if planted is None:
            continue
        wanted = {sent.serials[u] for u in planted.units}
        findings = [f for f in look(planted.arrived).findings if f.kind == KINDS.get(kind, kind)]
        is_found = any(not wanted or wanted & set(f.serials) for f in findings)
        counts += Counter({("planted", kind): 1, ("found", kind): int(is_found)})
        if not is_found:
            said.append(f"{label}: missed {kind} at {sorted(wanted)}")
    return counts


def _planted(plant: Plant, sent: Arrived, rng: np.random.Generator) -> Planted | None:
    try:
        return plant(sent, rng)
    except NoRoom:
        return None


def _table(window: Window, counted: list[tuple[str, Counts]]) -> Table:
    totals: dict[str, Counts] = {"healthy": Counter(), "with faults": Counter()}
    for kind, counts in counted:
        totals[kind] += counts
    table = Table(
        "kind", "planted", "found", "false, healthy", "false, with faults", title=f"window {window}"
    )
    kinds = dict.fromkeys(
        [*PLANTS, *(k for t in totals.values() for w, k in t if w == "false" and k != "any"), "any"]
    )
    for kind in kinds:
        seen = KINDS.get(kind, kind)
        numbers = [totals["healthy"][what, kind] for what in ("planted", "found")]
        false = [f"{t['false', seen]} of {t['site', 'any']}" for t in totals.values()]
        table.add_row(kind, *map(str, numbers), *false)
    return table


def _demo(said: list[str]) -> str:
    false = [_false(_demo_site(site), GAPS, site.name, said)["false", "any"] for site in SITES]
    return f"demo: {sum(false)} of {len(SITES)} sites with a finding that is none"


def _demo_site(site: DemoSite) -> Arrived:
    made, record = simulate(site, date(2026, 7, 2)), site_from_record(site.record("2026-06-25"))
    nothing = np.full(len(next(iter(made.energy_wh.values()))), np.nan)
    energy = np.array([made.energy_wh.get(u.serial, nothing) for u in record.units])
    return arrived(
        record, Readings(made.start.tz_convert("UTC").to_pydatetime(), made.interval_min, energy), Noted()
    )


if __name__ == "__main__":
    typer.run(main)
