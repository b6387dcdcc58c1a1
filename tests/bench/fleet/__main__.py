"""`python -m tests.bench.fleet`: judge invented sites and print how the verification fared.

With `--notes`, every miss begins with the call that makes its site again:
`from tests.bench.fleet import site; from tests.bench.fleet.score import judge; judge(site(17, "1d")).findings`.
"""

from __future__ import annotations

import os
import traceback
import warnings
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from service.expect.weather import Weather
from tests.bench.fleet.plan import WINDOWS, Plan, Window, plan
from tests.bench.fleet.report import against_targets, by_cause
from tests.bench.fleet.score import Score, judge, label, score
from tests.bench.fleet.shelf import kept
from tests.bench.fleet.truth import BenchSite

PROCESSES = int(os.environ.get("PROCESSES", "2"))
WIDTH = 150
FARTHEST = 100
"""Seeds to look through for each site asked for with a cause, at most."""


def plans(window: Window, *, sites: int, first_seed: int, causes: list[str]) -> list[Plan]:
    """Return the plans of consecutive seeds, or of those for which one of the causes is planned."""
    seeds = range(first_seed, first_seed + (FARTHEST if causes else 1) * sites)
    fitting = (p for p in (plan(s, window) for s in seeds) if not causes or any(p.has(c) for c in causes))
    return list(islice(fitting, sites))


def judged(plan: Plan) -> Score:
    """Return the score of one planned site; a verification that breaks off has said nothing, and is counted."""
    return scored(kept(plan), None)


def scored(site: BenchSite, weather: Weather | None) -> Score:
    """Return the score of a site that the service judges without weather, or with some."""
    try:
        result = judge(site, weather)
    except Exception as error:
        broken = score(site, ())
        where = traceback.extract_tb(error.__traceback__)[-1]
        broken.crashes = [f"{label(site)}: {error!r} at {Path(where.filename).name}:{where.lineno}"]
        return broken
    return score(site, result.findings, result.not_yet)


def quiet() -> None:
    """Keep warnings of a process to itself."""
    warnings.simplefilter("ignore")


def by_sky(planned: list[Plan], scores: Iterator[Score]) -> dict[str, Score]:
    """Return the scores by sky, and all together under 'all'."""
    out: dict[str, Score] = {"all": Score()}
    for one, counts in zip(planned, scores, strict=True):
        out.setdefault(one.sky, Score()).add(counts)
        out["all"].add(counts)
    return out


def main(
    sites: Annotated[int, typer.Option(help="How many sites a window.", min=1)] = 120,
    window: Annotated[str, typer.Option(help="30min, 1d, 7d or all.")] = "all",
    first_seed: Annotated[int, typer.Option(help="The first site's seed.", min=0)] = 0,
    cause: Annotated[
        list[str] | None,
        typer.Option(
            help="Only sites that this cause is planned for; may be given again. `site`: any site-wide."
        ),
    ] = None,
    notes: Annotated[bool, typer.Option(help="List every miss and every false accusation.")] = False,
) -> None:
    """Judge invented sites from per-module AC energy alone and print a table a window."""
    chosen = [w for w in WINDOWS if window in ("all", w)]
    if not chosen:
        raise typer.BadParameter(f"{window} is none of {', '.join(WINDOWS)}, all", param_hint="--window")
    results: dict[Window, dict[str, Score]] = {}
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool, Progress(transient=True) as progress:
        for one in chosen:
            planned = plans(one, sites=sites, first_seed=first_seed, causes=cause or [])
            scores = pool.map(judged, planned, chunksize=2)
            results[one] = by_sky(planned, iter(progress.track(scores, len(planned), description=one)))
    console = Console(width=max(Console().width, WIDTH))
    for one, scored in results.items():
        console.print(*scored["all"].crashes, sep="\n", style="bold red", highlight=False, markup=False)
        if notes:
            console.print(*scored["all"].notes, sep="\n", highlight=False, markup=False, soft_wrap=True)
        console.print(by_cause(one, scored))
    console.print(against_targets(results))
    if any(scored["all"].crashes for scored in results.values()):
        raise typer.Exit(1)


if __name__ == "__main__":
    typer.run(main)
