"""What a file is read as, against what it says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from service.intake.export.model import Known, Proposal
from service.intake.export.read import Tally, read
from service.intake.export.reshape import unfolded
from service.intake.export.tables import Table, tables_of
from service.intake.export.together import proposed
from service.intake.record import as_stored, read_record
from service.jobs.recorded_roof import RecordedRoof
from tests.intake.export.corpus import Make, Truth, answers_of, record_of

Got = dict[tuple[str, datetime], float]
Found = list[tuple[Table, Proposal]]
KEPT = (5, 10, 15, 30, 60)
NOTHING_WH = 0.001
"""What is written is the truth, rounded as the truth is: only the sums of floating numbers differ."""

BELOW_NOTHING_WH = 0.02
"""What some minutes of -0.2 W take from an interval that is kept and has light in its others."""


@dataclass(frozen=True)
class Judged:
    """What became of a file: the last proposals, what was asked on the way, what is wrong with what was read."""

    found: Found
    asked: frozenset[str]
    wrong: str | None
    warnings: tuple[str, ...]
    rejected: int


def known_of(make: Make) -> Known:
    """Return what the record says of the site."""
    record = as_stored(read_record(record_of(make)))
    return Known.of_record(record, roof=RecordedRoof(record))


def proposals(path: Path, known: Known, answers: Mapping[str, str]) -> Found:
    """Return how the file's tables would be read."""
    return proposed([unfolded(table) for table in tables_of(path)], known, answers)


def judged(path: Path, make: Make, truth: Truth, answers: Mapping[str, str] | None = None) -> Judged:
    """Answer truly until nothing is asked any more, then read; `answers` are given before."""
    known, true, given = known_of(make), answers_of(make), dict(answers or {})
    asked = set[str]()
    while True:
        found = proposals(path, known, given)
        open_keys = {q.key for _, p in found for q in p.questions}
        if not open_keys:
            return _read(found, known, make, truth, frozenset(asked))
        if open_keys & given.keys():
            return Judged(found, frozenset(asked), f"asked again: {open_keys & given.keys()}", (), 0)
        asked |= open_keys
        given |= {key: true[key] for key in open_keys}


def _read(found: Found, known: Known, make: Make, truth: Truth, asked: frozenset[str]) -> Judged:
    refused = [p.refused for _, p in found if p.recipe is None]
    if len(refused) == len(found):
        return Judged(found, asked, f"refused: {refused[0]}", (), 0)
    got, rejected, warnings = taken(found, known)
    warnings += [w for _, p in found for w in p.warnings]
    return Judged(found, asked, wrong(make, truth, got), tuple(warnings), rejected)


def taken(found: Found, known: Known) -> tuple[Got, int, list[str]]:
    """Return the energies that are read, by unit and start, how many were rejected, and what was noticed."""
    got: Got = {}
    rejected, negative, warnings = 0, 0, list[str]()
    for table, proposal in found:
        if proposal.recipe is None:  # a text beside the tables; what is missing then is told by the values
            continue
        tally = Tally()
        for piece in read(table, proposal.recipe, known, tally):
            rejected += len(piece.rejected)
            for s in piece.samples:
                hours = {"power_w": s.interval_min / 60, "energy_wh": 1.0}.get(s.channel)
                for start, value in zip(s.starts.tolist(), s.values.tolist(), strict=True):
                    if hours is not None and value >= 0:
                        got[s.serial, datetime.fromtimestamp(start, UTC)] = value * hours
                    elif hours is not None:
                        negative += 1
        warnings += tally.warnings(proposal.recipe)
    if negative:
        warnings.append(f"{negative} negative values are listed as rejected")
    return got, rejected, warnings


def wrong(make: Make, truth: Truth, got: Got) -> str | None:
    """Return what is wrong with what was read, None if it is right."""
    if make.irregular:
        return _days_off(make, truth, got)
    wanted = _coarse(make, truth)
    strange = [key for key in got if key not in wanted]
    if strange:
        return f"{len(strange)} of {len(got)} at times or units that are not there, such as {strange[0]}"
    if make.negative:  # what is negative is kept out
        wanted = {key: wh for key, wh in wanted.items() if wh > 0 or key in got}
    wanted = {key: wh for key, wh in wanted.items() if key in got or not _has_no_cell(make, key[1])}
    if len(got) + _before_the_first(make) < _least_heard(make) * len(wanted):
        return f"only {len(got)} of {len(wanted)}"
    least = BELOW_NOTHING_WH if make.negative and make.interval not in KEPT else NOTHING_WH
    off = [key for key, wh in got.items() if abs(wh - wanted[key]) > least]
    return f"{len(off)} values differ, such as {off[0]}: {got[off[0]]}, not {wanted[off[0]]}" if off else None


def _has_no_cell(make: Make, start: datetime) -> bool:
    """Return whether an interval touches the hour that comes twice, of which a matrix has one cell for two times."""
    if make.shape not in ("days", "times") or make.zone[0] in "+-":
        return False
    at = [(start + timedelta(minutes=m)).astimezone(ZoneInfo(make.zone)) for m in (0, make.interval)]
    return any(t.replace(fold=0).utcoffset() != t.replace(fold=1).utcoffset() for t in at)


def _least_heard(make: Make) -> float:
    """Return the share that must be there: a cell that is not takes the whole interval with it that it is a part of."""
    if make.missing is not None:
        return 0.9
    return 0.985 if make.negative and make.interval not in KEPT else 1.0


def _before_the_first(make: Make) -> int:
    """Return the intervals that counters cannot tell: those before their first reading, of which 20 min are two."""
    each = 2 if make.interval == 20 else 1
    return each * len(make.serials) if make.quantity.startswith("counter") else 0


def _days_off(make: Make, truth: Truth, got: Got) -> str | None:
    """Compare energies of whole units: what lies between moments is not known better."""
    for serial in make.serials:
        sums = [sum(wh for (s, _), wh in all_.items() if s == serial) for all_ in (truth, got)]
        if abs(sums[1] - sums[0]) > 0.06 * sums[0]:
            return f"{sums[1]:.0f} Wh of {serial}, not {sums[0]:.0f}"
    return None


def _coarse(make: Make, truth: Truth) -> Got:
    """Return the truth in intervals that are kept."""
    found: Got = {}
    if make.intervals or make.interval in KEPT:
        return truth
    if make.interval == 20:
        for (serial, start), wh in truth.items():
            for part in (0, 1):
                at = datetime.fromtimestamp(start.timestamp() + part * 600, UTC)
                found[serial, at] = wh / 2
        return found
    for (serial, start), wh in truth.items():
        for minute in range(make.interval):
            at = start + timedelta(minutes=minute)
            at = at.replace(minute=at.minute // 5 * 5)
            found[serial, at] = found.get((serial, at), 0) + wh / make.interval
    return found
