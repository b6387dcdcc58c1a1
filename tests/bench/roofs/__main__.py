"""`python -m tests.bench.roofs`: lay faults over measured series of real roofs and print how the verification fared.

With `--notes`, every miss begins with the call that makes its site again:
`from tests.bench.roofs import site; from tests.bench.fleet.score import judge; judge(site(17, "1d")).findings`.
"""

from __future__ import annotations

import os
import traceback
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import count, islice
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from tests.bench.fleet.__main__ import quiet
from tests.bench.fleet.plan import Window
from tests.bench.fleet.report import against_targets, by_cause
from tests.bench.fleet.score import Score, judge, label, score
from tests.bench.roofs.build import make
from tests.bench.roofs.own import without_own
from tests.bench.roofs.plan import SETS, Trial, trial
from tests.bench.roofs.series import ROOFS

PROCESSES = int(os.environ.get("PROCESSES", "2"))
WIDTH = 190
WINDOWS: tuple[Window, ...] = ("1d", "7d")


@dataclass
class Judged:
    """A trial's counts, and the causes said that its roof itself showed."""

    roof: str
    score: Score
    excused: Counter[str] = field(default_factory=Counter)


def judged(one: Trial) -> Judged:
    """Return how a trial was judged; a verification that breaks off has said nothing, and is counted."""
    laid = make(one)
    try:
        result = judge(laid.site)
    except Exception as error:
        broken = score(laid.site, ())
        where = traceback.extract_tb(error.__traceback__)[-1]
        broken.crashes = [f"{label(laid.site)}: {error!r} at {Path(where.filename).name}:{where.lineno}"]
        return Judged(one.plan.sky, broken)
    lowered = one.plan.site_cause == "site_low"
    left, excused = without_own(result.findings, laid.own, frozenset(laid.site.faults), lowered=lowered)
    counts = score(laid.site, left, result.not_yet)
    counts.notes = [f"{note} [{one.first}, own level {laid.own.level:.2f}]" for note in counts.notes]
    return Judged(one.plan.sky, counts, Counter(excused))


def trials(window: Window, *, wanted: int, first: int, part: str) -> list[Trial]:
    """Return consecutive trials from a number on, those of one part only."""
    found = (trial(number, window, part) for number in count(first))
    return list(islice((t for t in found if t), wanted))


def by_roof(results: Iterable[Judged]) -> tuple[dict[str, Score], Counter[str]]:
    """Return the scores by roof, all together under 'all', and what was excused."""
    out: dict[str, Score] = {"all": Score()}
    excused: Counter[str] = Counter()
    for one in results:
        out.setdefault(one.roof, Score()).add(one.score)
        out["all"].add(one.score)
        excused += one.excused
    return out, excused


def main(
    number: Annotated[int, typer.Option("--trials", help="How many trials a window.", min=1)] = 500,
    window: Annotated[str, typer.Option(help="1d, 7d or all.")] = "all",
    first: Annotated[int, typer.Option(help="The first trial's number.", min=0)] = 0,
    part: Annotated[str, typer.Option(help="Days: tuning, apart or all.")] = "tuning",
    notes: Annotated[bool, typer.Option(help="List every miss and every false accusation.")] = False,
) -> None:
    """Judge faults laid over real roofs and print a table a window."""
    chosen = [w for w in WINDOWS if window in ("all", w)]
    if not chosen or part not in (*SETS, "all"):
        raise typer.BadParameter("--window is 1d, 7d or all; --part is tuning, apart or all")
    console = Console(width=max(Console().width, WIDTH))
    scores: dict[Window, dict[str, Score]] = {}
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool, Progress(transient=True) as progress:
        for one in chosen:
            planned = trials(one, wanted=number, first=first, part=part)
            results = pool.map(judged, planned, chunksize=4)
            scores[one], excused = by_roof(progress.track(results, len(planned), description=one))
            _print(console, one, scores[one], excused, notes=notes)
    console.print(against_targets(scores))
    if any(found["all"].crashes for found in scores.values()):
        raise typer.Exit(1)


def _print(
    console: Console, window: Window, scores: dict[str, Score], excused: Counter[str], *, notes: bool
) -> None:
    total = scores["all"]
    console.print(*total.crashes, sep="\n", style="bold red", highlight=False, markup=False)
    if notes:
        console.print(*total.notes, sep="\n", highlight=False, markup=False, soft_wrap=True)
    console.print(by_cause(window, scores, list(ROOFS)))
    kinds = ", ".join(f"{n} {cause}" for cause, n in excused.most_common()) or "none"
    console.print(f"shown by the roofs' own series, and counted neither way: {kinds}", highlight=False)


if __name__ == "__main__":
    typer.run(main)
