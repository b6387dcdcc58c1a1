"""The benchmark's tables: by cause and sky for each window, and all windows against their targets."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from rich.table import Column, Table

from tests.bench.fleet.plan import SKY_NAMES, Window
from tests.bench.fleet.score import Score

TARGETS: dict[str, dict[Window, float]] = {
    "F1, a fault is there": {"30min": 0.97, "1d": 0.96, "7d": 0.99},
    "right cause": {"30min": 0.95, "1d": 0.93, "7d": 0.97},
    "healthy accused": {"30min": 0.002, "1d": 0.003, "7d": 0.001},
    "site causes found": {"1d": 0.75, "7d": 0.97},
    "falsely said": {"1d": 0.01, "7d": 0.005},
}
AT_MOST = ("healthy accused", "falsely said")

BySky = Mapping[str, Score]


def by_cause(window: Window, scores: BySky, names: Sequence[str] = SKY_NAMES) -> Table:
    """Return one window's table: a row a cause, a column a sky, or whatever the `names` are of."""
    skies = [*(s for s in names if s in scores), "all"]
    columns = [Column(s, justify="right") for s in skies]
    title = f"window {window} - faults counted: first named right, named at all"
    table = Table(Column(no_wrap=True), *columns, title=title)
    for cause, _ in scores["all"].planted.most_common():
        table.add_row(cause, *(_cell(scores[s], cause) for s in skies))
    table.add_section()
    for cause, _ in scores["all"].site_planted.most_common():
        table.add_row(f"site: {cause}", *(_site_cell(scores[s], cause) for s in skies))
    table.add_section()
    for name, value in _SUMS.items():
        table.add_row(name, *(value(scores[s]) for s in skies))
    return table


def _cell(score: Score, cause: str) -> str:
    if not score.planted[cause]:
        return ""
    return f"{score.planted[cause]}: {score.first[cause]}, {score.named[cause]}"


def _site_cell(score: Score, cause: str) -> str:
    return f"{score.site_planted[cause]}: {score.site_found[cause]}" if score.site_planted[cause] else ""


def _percent(share: float | None) -> str:
    return "" if share is None else f"{share:.1%}"


def _listed(counts: Counter[str]) -> str:
    return "\n".join(f"{n} {cause}" for cause, n in counts.most_common())


def _spread(values: Sequence[float]) -> str:
    if not values:
        return ""
    return f"{np.median(values):.1f}, {np.quantile(values, 0.9):.1f}"


_SUMS: dict[str, Callable[[Score], str]] = {
    "sites": lambda s: str(s.sites),
    "broken off": lambda s: str(len(s.crashes) or ""),
    "F1, a fault is there": lambda s: "" if s.f1 is None else f"{s.f1:.3f}",
    "right cause, first named": lambda s: _percent(s.first_share),
    "right cause, named at all": lambda s: _percent(s.named_share),
    "healthy accused": lambda s: f"{s.accused}/{s.healthy}",
    "  of it beside a site cause": lambda s: str(s.accused_beside_site_cause or ""),
    "  of what": lambda s: _listed(s.accused_of),
    "site causes found": lambda s: _percent(s.site_share),
    "site causes falsely said": lambda s: _listed(s.falsely_said),
    "site causes undecidable": lambda s: _listed(s.site_undecidable),
    "  of it said to be so": lambda s: _listed(+s.site_left_open),
    "units left out": lambda s: str(s.left_out or ""),
    "clipping said": lambda s: f"{s.clipping_said}/{s.clipping_due}" if s.clipping_due else "",
    "clock off, min (median, 90 %)": lambda s: _spread(s.clock_off_min),
    "azimuth off, deg": lambda s: _spread(s.azimuth_off_deg),
    "tilt off, deg": lambda s: _spread(s.tilt_off_deg),
}


def against_targets(scores: Mapping[Window, BySky]) -> Table:
    """Return the totals of all windows beside what they should be."""
    columns = [Column(w, justify="right") for w in scores]
    table = Table(Column("all skies (target)", no_wrap=True), *columns, title="against the targets")
    for name in TARGETS:
        table.add_row(name, *(_beside(name, w, scores[w]["all"]) for w in scores))
    return table


def figure(name: str, score: Score) -> float | None:
    """Return the figure that a target of this name is for, None where there was nothing to count."""
    return {
        "F1, a fault is there": score.f1,
        "right cause": score.first_share,
        "healthy accused": score.accused_share,
        "site causes found": score.site_share,
        "falsely said": score.falsely_share,
    }[name]


def _beside(name: str, window: Window, score: Score) -> str:
    value = figure(name, score)
    target = TARGETS[name].get(window)
    if value is None:
        return ""
    if target is None:
        return f"{value:.2%}"
    met = value <= target if name in AT_MOST else value >= target
    return f"{value:.2%} ({'at most' if name in AT_MOST else 'at least'} {target:.1%}) {'met' if met else 'MISSED'}"
