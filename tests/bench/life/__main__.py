"""`python -m tests.bench.life`: how many healthy units and sites are accused while others die or are mended."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, timedelta
from functools import partial
from typing import Annotated, NamedTuple

import numpy as np
import typer
from rich.progress import track

from service.demo.simulate import simulate
from service.expect.site import Site
from service.jobs.assemble import site_from_record
from service.verify.inputs import Readings
from service.verify.result import Finding
from service.verify.run import verify
from tests.bench.fleet.__main__ import PROCESSES, quiet
from tests.bench.life.plan import ANYWHERE, NORTHERN_WINTER, Climate, Life, life

NO_ACCUSATION = frozenset({"data_gap"})
"""Readings are lost by chance here, too."""


class Accused(NamedTuple):
    """What is said of healthy units, or of a site of which nothing of the kind is true."""

    cause: str
    units: int
    said: str


def looked_at(of: Life) -> tuple[Site, Readings]:
    """Return the site as recorded, and its readings as sent."""
    sent = simulate(of.site, of.end)
    site = site_from_record(of.site.record("2026-01-01"))
    energy_wh = np.array([sent.energy_wh[unit.serial] for unit in site.units])
    per_h = 60 // of.site.interval_min
    last = energy_wh.shape[1] - of.cut * per_h
    first = max(last - of.hours * per_h, 0)
    start = sent.start.to_pydatetime().astimezone(UTC) + timedelta(minutes=first * of.site.interval_min)
    rounded = [[float(f"{wh:.5g}") for wh in row] for row in energy_wh[:, first:last]]
    return site, Readings(start, of.site.interval_min, np.array(rounded))


def accused(of: Life) -> list[Accused]:
    """Return all that is said of what is healthy."""
    site, readings = looked_at(of)
    if not (readings.energy_wh > 0).any():
        return []
    struck = {site.units[unit].serial for unit in of.struck}
    return list(_wrongly(verify(site, readings).findings, struck))


def _wrongly(findings: tuple[Finding, ...], struck: set[str]) -> Iterator[Accused]:
    for finding in findings:
        healthy = set(finding.serials) - struck
        if finding.is_fault and finding.cause not in NO_ACCUSATION and (healthy or not finding.serials):
            yield Accused(finding.cause, len(healthy), finding.evidence)


def _of_seed(seed: int, climate: Climate) -> list[Accused]:
    return accused(life(seed, climate))


def main(
    sites: Annotated[int, typer.Option(help="How many sites.", min=1)] = 300,
    first_seed: Annotated[int, typer.Option(help="The first site's seed.", min=0)] = 0,
    winter: Annotated[
        bool, typer.Option(help="Northern winters under grey skies, on two planes or three.")
    ] = False,
) -> None:
    """Print what healthy units and sites are accused of, and how many there are."""
    climate, seeds = NORTHERN_WINTER if winter else ANYWHERE, range(first_seed, first_seed + sites)
    causes, units = Counter[str](), Counter[str]()
    with ProcessPoolExecutor(PROCESSES, initializer=quiet) as pool:
        judged = pool.map(partial(_of_seed, climate=climate), seeds, chunksize=4)
        for seed, said in zip(seeds, track(judged, total=sites, transient=True), strict=True):
            for one in said:
                causes[one.cause] += 1
                units[one.cause] += one.units
                typer.echo(f"{seed}: {one.cause}, {one.units} healthy units: {one.said}")
    typer.echo(
        f"{sites} sites; accused: "
        + (", ".join(f"{c} {n} ({units[c]} units)" for c, n in causes.items()) or "none")
    )


if __name__ == "__main__":
    typer.run(main)
