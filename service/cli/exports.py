"""How `import readings` takes a file that another program exported: proposal, questions, progress, rejected rows."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.table import Table
from sqlalchemy import Engine

from service.cli.plain import Failure, remark, result
from service.intake.export.bring import Keep, Plan, Seen, Taken, bring, plan
from service.intake.export.propose import checked_answers
from service.intake.export.read import Rejected
from service.intake.export.tables import tables_of
from service.intake.take import NoSuchSite
from service.report.deeds import COMMAND_LINE
from service.store import sites
from service.store.database import reading, writing
from service.store.mappings import remember, remembered

QUESTIONS_OPEN = 3
REJECTED_SHOWN = 20
LONGEST_NAME = 60


def answers_from(given: Sequence[str], interval_min: int | None) -> dict[str, str]:
    """Return the answers of `--answer KEY=VALUE`, given as often as there are questions."""
    found = {} if interval_min is None else {"interval_min": str(interval_min)}
    for text in given:
        key, equals, value = text.partition("=")
        if not equals:
            raise Failure(f"--answer {text} must be KEY=VALUE, such as label=start.")
        found[key.strip()] = value.strip()
    return found


def import_export(
    engine: Engine,
    site_id: str,
    file: Path,
    answers: Mapping[str, str],
    *,
    dry_run: bool,
    as_json: bool,
    rejected: Path | None,
    mapping: str | None,
) -> None:
    """Propose, and unless it is a dry run or a question is open, store."""
    from service.jobs.recorded_roof import RecordedRoof

    record = _record(engine, site_id)
    answers = checked_answers({**_remembered(engine, site_id, mapping), **answers})
    tables = tables_of(file, said=answers)
    total = sum(table.size for table in tables)
    with _progress(f"Looking at {file.name}", total) as seen:
        planned = plan(tables, record, answers, seen, RecordedRoof(record))
    if dry_run or planned.questions:
        _show_plan(planned, as_json=as_json)
        if dry_run:
            return
        remark("Nothing was stored: answer the questions with --answer KEY=VALUE.")
        raise typer.Exit(QUESTIONS_OPEN)
    with _rejected_to(rejected) as (keep, shown), _progress(f"Taking in {file.name}", total) as seen:
        taken = bring(engine, site_id, record, planned, by=COMMAND_LINE, file=file.name, keep=keep, seen=seen)
    if mapping and answers:
        with writing(engine) as session:
            remember(session, site_id, mapping, answers, planned.kind)
    _show_taken(taken, shown, as_json=as_json)


def _remembered(engine: Engine, site_id: str, mapping: str | None) -> dict[str, str]:
    if mapping is None:
        return {}
    if not 0 < len(mapping) <= LONGEST_NAME:
        raise Failure(f"--mapping must be a name of 1 to {LONGEST_NAME} characters.")
    with reading(engine) as session:
        return remembered(session, site_id, mapping)


def show_ours(series: int, *, as_json: bool) -> None:
    """Say of a file in a form of the API that nothing is open."""
    found = f"This is in a form of the API; nothing is open. It holds {series} series of units and channels."
    typer.echo(json.dumps({"questions": [], "warnings": [], "tables": []}) if as_json else found)


def write_problems(path: Path, problems: Sequence[Mapping[str, Any]]) -> None:
    """Write what was kept out of a file in a form of the API."""
    names = ("serial", "start", "field", "value", "message")
    with path.open("w", encoding="utf-8", newline="") as stream:
        lines = csv.DictWriter(stream, names, extrasaction="ignore")
        lines.writeheader()
        lines.writerows(problems)


def _record(engine: Engine, site_id: str) -> Mapping[str, Any]:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        if site is None:
            raise NoSuchSite
        return dict(site.record)


@contextmanager
def _progress(doing: str, total: int) -> Iterator[Seen]:
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(doing, total=total)
        yield lambda amount: progress.update(task, completed=amount)


@contextmanager
def _rejected_to(path: Path | None) -> Iterator[tuple[Keep, list[Rejected]]]:
    """Give a way to keep what is rejected, all of it in the file and the first few to be shown."""
    shown: list[Rejected] = []

    def remember(found: Sequence[Rejected]) -> None:
        shown.extend(found[: REJECTED_SHOWN - len(shown)])

    if path is None:
        yield remember, shown
        return
    with path.open("w", encoding="utf-8", newline="") as stream:
        lines = csv.writer(stream)
        lines.writerow(Rejected._fields)

        def keep(found: Sequence[Rejected]) -> None:
            remember(found)
            lines.writerows(found)

        yield keep, shown


def _show_plan(planned: Plan, *, as_json: bool) -> None:
    if as_json:
        tables = [proposal.as_json() for _, proposal in planned.tables]
        questions = [asdict(q) for q in planned.questions]
        typer.echo(
            json.dumps({"questions": questions, "warnings": planned.warnings, "tables": tables}, indent=1)
        )
        return
    for _, proposal in planned.readable:
        guesses = Table("What", "Proposed", "How sure", "Why", title=proposal.table, title_justify="left")
        for name, guess in proposal.guesses.items():
            guesses.add_row(name, _said(guess.value), f"{guess.confidence:.0%}", guess.why)
        result().print(guesses)
    _warn(planned.warnings)
    for question in planned.questions:
        likely = f"; probably {question.proposed}" if question.proposed else ""
        typer.echo(f"{question.key}: {' or '.join(question.choices)}? ({question.why}{likely})")
        for part in question.parts:
            typer.echo(f"  {part.name}: probably {part.proposed}" if part.proposed else f"  {part.name}")


def _said(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{k} → {v}" for k, v in value.items())
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return repr(value) if value in ("\t", ";", ",", "|") else str(value)


def _show_taken(taken: Taken, shown: Sequence[Rejected], *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps({**asdict(taken), "questions": []}, indent=1))
        return
    typer.echo(f"{taken.accepted} accepted, {taken.replaced} replaced, {taken.rejected} rejected")
    _warn(taken.warnings)
    if shown:
        more = taken.rejected - len(shown)
        caption = f"and {more} more; --rejected FILE writes them all" if more else None
        table = Table("Table", "Row", "Serial", "What stands there", "Why not", caption=caption)
        for one in shown:
            table.add_row(one.table, str(one.row or ""), one.serial, one.text, one.reason)
        result().print(table)


def _warn(warnings: Sequence[str]) -> None:
    for warning in warnings:
        remark(f"Note: {warning}")
