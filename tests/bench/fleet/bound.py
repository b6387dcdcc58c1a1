"""`python -m tests.bench.fleet.bound`: how well the fleet could be judged at best, beside how well it is.

For half an hour the judge at best is one that knows every unit's faultless power (`half_hour`). For a day and a week it
is the service itself, given the true sky as a user with perfect sensors would give it (`sensors`): global, direct and
diffuse irradiance, air temperature and wind, on the true clock. The bound counts what either of the two finds, with the
sky or without: where a sensor's way is worse than the units' own, it bounds nothing. What neither finds is counted by
reason (`reasons`).
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Column, Table

from tests.bench.fleet.__main__ import PROCESSES, WIDTH, judged, plans, quiet, scored
from tests.bench.fleet.half_hour import bounded
from tests.bench.fleet.plan import WINDOWS, Plan, Window
from tests.bench.fleet.reasons import UNDECIDABLE, reason
from tests.bench.fleet.report import AT_MOST, TARGETS, figure
from tests.bench.fleet.score import Score
from tests.bench.fleet.sensors import true_weather
from tests.bench.fleet.shelf import kept

NEAR = 0.01
"""How near to its bound a figure must come that misses its target."""

Both = tuple[Score, Score, Counter[tuple[str, str]]]


def told_the_sky(plan: Plan) -> Score:
    """Return the score of the judge at best, on one planned site."""
    return bounded(plan) if plan.window == "30min" else scored(kept(plan), true_weather(plan))


def both(plan: Plan) -> Both:
    """Return the scores at best and as it is, and why the better of them misses what it misses, by cause."""
    best, as_is = told_the_sky(plan), judged(plan)
    seen = {m[:3] for m in as_is.misses}
    missed = [m for m in best.misses if m[:3] in seen]
    return best, as_is, Counter((m.cause, reason(plan, kept(plan), m)) for m in missed)


def either(best: Score, as_is: Score) -> dict[str, float | None]:
    """Return the figures of one who finds what either judge finds, and errs as the more careful one does."""
    missed = {m[:3] for m in best.misses} & {m[:3] for m in as_is.misses}
    units = {(seed, serial) for seed, serial, _ in missed if serial is not None}
    mute = {u for u in units if all(u in _unaccused(s) for s in (best, as_is))}
    wrong = min(best.accused, as_is.accused)
    struck = as_is.hit + as_is.missed
    of_site = sum(serial is None for _, serial, _ in missed)
    causes, site_causes = as_is.planted.total(), as_is.site_planted.total()
    hit = struck - len(mute)
    return {
        "F1, a fault is there": 2 * hit / (2 * hit + len(mute) + wrong) if struck else None,
        "right cause": 1 - (len(missed) - of_site) / causes if causes else None,
        "healthy accused": _least(best.accused_share, as_is.accused_share),
        "site causes found": 1 - of_site / site_causes if site_causes else None,
        "falsely said": _least(best.falsely_share, as_is.falsely_share),
    }


def _least(*shares: float | None) -> float | None:
    return min((s for s in shares if s is not None), default=None)


def _unaccused(score: Score) -> set[tuple[int, str | None]]:
    return {(m.seed, m.serial) for m in score.misses if m.said == "nothing"}


def _verdict(name: str, window: Window, as_is: float | None, bound: float | None) -> str:
    target = TARGETS[name].get(window)
    if target is None or as_is is None or bound is None:
        return ""
    sign = -1 if name in AT_MOST else 1
    if sign * (as_is - target) >= 0:
        return "target reached"
    near = sign * (bound - as_is) <= NEAR
    return "within 0.01 of the bound" if near else "not reached"


def table(window: Window, best: Score, as_is: Score) -> Table:
    """Return one window's figures, their bounds and targets."""
    right = [Column(n, justify="right") for n in ("as it is", "true sky", "bound", "target")]
    out = Table(Column(f"window {window}", no_wrap=True), *right, Column(""))
    bounds = either(best, as_is)
    for name, targets in TARGETS.items():
        values = figure(name, as_is), figure(name, best)
        bound = bounds[name]
        cells = ["" if v is None else f"{v:.2%}" for v in (*values, bound, targets.get(window))]
        out.add_row(name, *cells, _verdict(name, window, values[0], bound))
    return out


def main(
    window: Annotated[str, typer.Option(help="30min, 1d, 7d or all.")] = "all",
    sites: Annotated[int, typer.Option(help="How many sites a window.", min=1)] = 240,
    first_seed: Annotated[int, typer.Option(help="The first site's seed.", min=0)] = 0,
    cause: Annotated[
        list[str] | None,
        typer.Option(help="Only sites that this is planned for; may be given again. `site`: any site-wide."),
    ] = None,
    notes: Annotated[bool, typer.Option(help="List all that the judge at best misses.")] = False,
) -> None:
    """Print how well the fleet could be judged, how well it is, and what nobody can tell."""
    console = Console(width=max(Console().width, WIDTH))
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool:
        for one in (w for w in WINDOWS if window in ("all", w)):
            planned = plans(one, sites=sites, first_seed=first_seed, causes=cause or [])
            best, as_is, why = Score(), Score(), Counter[tuple[str, str]]()
            for at_best, service, reasons in pool.map(both, planned, chunksize=4):
                best.add(at_best)
                as_is.add(service)
                why.update(reasons)
            if notes:
                console.print(*best.notes, sep="\n", highlight=False, markup=False, soft_wrap=True)
            console.print(table(one, best, as_is))
            _print_reasons(console, best, why)


def _print_reasons(console: Console, best: Score, why: Counter[tuple[str, str]]) -> None:
    """Print what is missed with the true sky and without, by reason."""
    undecidable = sum(n for (_, r), n in why.items() if r in UNDECIDABLE)
    faults = best.planted.total() + best.site_planted.total()
    console.print(f"of {faults} faults, missed with the true sky and without it: {why.total()}, of them")
    console.print(f"undecidable by their energies: {undecidable}")
    for (cause, text), n in why.most_common():
        console.print(f"  {n} {cause}: {text}", highlight=False)
    console.print(f"left out from the start as undecidable: {best.left_out} units, ", end="")
    console.print(", ".join(f"{n} {c}" for c, n in best.site_undecidable.most_common()) or "no site cause")


if __name__ == "__main__":
    typer.run(main)
