"""`python -m tests.bench.stranger`: judge sites of the second fleet and print how the verification fared.

With `--notes`, every miss begins with the call that makes its site again.
"""

from __future__ import annotations

import os
import warnings
from concurrent.futures import ProcessPoolExecutor
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from service.verify.run import verify
from tests.bench.stranger.case import site
from tests.bench.stranger.plan import CAUSES, WINDOWS, Window
from tests.bench.stranger.tally import Tally, tally

PROCESSES = int(os.environ.get("PROCESSES", "2"))


def judged(seed: int, window: Window, cause: str | None) -> Tally:
    """Return one site's counts; a verification that breaks off has said nothing."""
    warnings.simplefilter("ignore")
    case = site(seed, window, cause)
    try:
        return tally(case, verify(case.site, case.readings).findings)
    except Exception as error:
        broken = tally(case, ())
        broken.notes.append(f'site({seed}, "{window}"): {error!r}')
        return broken


def by_cause(window: Window, total: Tally) -> Table:
    """Return a line for each cause."""
    table = Table("cause", "there", "named", "first", "accused of", "falsely of a site", title=window)
    names = [*CAUSES, "data_gap (site)"]
    for cause in [*names, *sorted({*total.accused_of, *total.falsely_said} - set(names))]:
        there = total.planted[cause]
        shares = [
            f"{count / there:.0%}" if there else "" for count in (total.named[cause], total.first[cause])
        ]
        table.add_row(
            cause,
            str(there),
            *shares,
            str(total.accused_of[cause] or ""),
            str(total.falsely_said[cause] or ""),
        )
    return table


def totals(total: Tally) -> str:
    """Return the counts that matter, one a line."""
    return "\n".join(
        [
            f"sites {total.sites}",
            f"units with a fault {total.struck}, healthy {total.healthy}, between {total.left_out}",
            f"F1 of 'a fault is there': {total.f1:.3f}",
            f"right cause first, of all with a fault: {total.right_first / max(total.struck, 1):.1%}"
            f" (named at all {total.right_any / max(total.struck, 1):.1%})",
            f"healthy accused: {total.accused / max(total.healthy, 1):.2%}",
            f"site causes found: {total.site_found} of {total.site_planted}",
            f"sites falsely said to have one: {total.falsely / max(total.sites, 1):.1%}",
        ]
    )


def main(
    window: Annotated[str, typer.Option(help="30min, 1d or 7d.")] = "1d",
    first_seed: Annotated[int, typer.Option(help="The first site's seed.", min=0)] = 0,
    sites: Annotated[int, typer.Option(help="How many sites.", min=1)] = 80,
    cause: Annotated[str | None, typer.Option(help="A cause that strikes each of them.")] = None,
    notes: Annotated[bool, typer.Option(help="List every miss and every false accusation.")] = False,
) -> None:
    """Judge sites of a world that shares nothing with the service's physics, and print a table."""
    chosen = next((w for w in WINDOWS if w == window), None)
    if chosen is None or (cause and cause not in CAUSES):
        raise typer.BadParameter(f"windows are {', '.join(WINDOWS)}; causes are {', '.join(CAUSES)}")
    total = Tally()
    with ProcessPoolExecutor(PROCESSES) as pool, Progress(transient=True) as progress:
        seeds = range(first_seed, first_seed + sites)
        counts = pool.map(judged, seeds, [chosen] * sites, [cause] * sites)
        for one in progress.track(counts, sites, description=window):
            total.add(one)
    console = Console(width=max(Console().width, 150))
    if notes:
        console.print(*total.notes, sep="\n", highlight=False, markup=False, soft_wrap=True)
    console.print(by_cause(chosen, total))
    console.print(totals(total), highlight=False)


if __name__ == "__main__":
    typer.run(main)
