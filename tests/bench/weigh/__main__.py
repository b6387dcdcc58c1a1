"""`python -m tests.bench.weigh turns`, or `limits`, or `shade`: fit weights of `service/verify/odds.py`, and show them.

Prints them as they stand there, and by origin how many of the faults, and how many sites without, the bounds alone
say, and the weights with them: each site, or plane, by weights that were fitted to others.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from typing import Annotated

import numpy as np
import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from tests.bench.fleet.__main__ import PROCESSES, quiet
from tests.bench.weigh import limits, shade, turns
from tests.bench.weigh.fit import Bools, fit, of_others
from tests.bench.weigh.sites import Row
from tests.fleet.sun import Array

LEAST = (0.0, 0.5, 1.0)
FAULTS = {"turns": turns, "limits": limits, "shade": shade}


def main(
    what: Annotated[str, typer.Argument(help="turns, limits or shade.")],
    every: Annotated[int, typer.Option(help="Weigh every so-manieth site only, to try it.", min=1)] = 1,
) -> None:
    """Fit and print the weights of one fault's signs."""
    if what not in FAULTS:
        raise typer.BadParameter(f"{what} is none of {', '.join(FAULTS)}")
    planned = [*FAULTS[what].keys()][::every]
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool, Progress(transient=True) as progress:
        found = pool.map(FAULTS[what].rows, planned, chunksize=8)
        told = list(chain.from_iterable(progress.track(found, len(planned))))
    names = list(told[0].measures)
    measures = np.array([[one.measures[name] for name in names] for one in told])
    is_true = np.array([one.is_true for one in told])
    best, console = fit(measures, is_true), Console()
    for name, weight in {"": best.constant, **dict(zip(names, best.weights, strict=True))}.items():
        console.print(f'    "{name}": {weight:.3f},', highlight=False)
    console.print(_found(told, is_true, of_others(measures, is_true)))


def _found(told: Sequence[Row], is_true: Bools, log_odds: Array) -> Table:
    said = np.array([one.said for one in told])
    out = Table(
        "origin", "with the fault", "bounds", *(f"log odds from {least}" for least in LEAST), "without"
    )
    origins = np.array([one.origin for one in told])
    for origin in sorted(set(origins)):
        here = origins == origin
        cells = [
            f"{(ways & here & is_true).sum()}, falsely {(ways & here & ~is_true).sum()}"
            for ways in (said, *(said | (log_odds >= least) for least in LEAST))
        ]
        out.add_row(origin, str((here & is_true).sum()), *cells, str((here & ~is_true).sum()))
    return out


if __name__ == "__main__":
    typer.run(main)
