"""The `import` commands: a site record, readings or weather from a file, straight into the database."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from service.cli.exports import answers_from, import_export, show_ours, write_problems
from service.cli.plain import Failure, open_database, remark, result
from service.intake.export.ours import TYPES, form_of
from service.intake.export.propose import checked_answers
from service.intake.json_form import parse_json
from service.intake.parse import CSV_TYPE, JSON_TYPE, parse_readings
from service.intake.problems import FieldError, Refused
from service.intake.record import as_stored, read_record
from service.intake.take import Import, NoSuchSite, Receipt, take_readings, take_weather
from service.report.deeds import COMMAND_LINE
from service.store import sites
from service.store.audit import note
from service.store.database import writing

app = typer.Typer(help="Bring in site records, readings and weather from files.", no_args_is_help=True)

PROBLEMS_SHOWN = 20
_OURS = f"Files in the form of the API are named {', '.join(f'…{suffix}' for suffix in TYPES)}."

File = Annotated[Path, typer.Argument(metavar="FILE", exists=True, dir_okay=False, readable=True)]
SiteId = Annotated[str, typer.Option("--site", help="The site's id.")]


@app.command("site")
def import_site(file: File) -> None:
    """Make a site from a record (JSON) and print its id."""
    engine = open_database()
    with _refusals_named(file):
        record = as_stored(read_record(parse_json(file.read_bytes())))
    with writing(engine) as session:
        site = sites.create(session, record)
        units = len(record["units"])
        note(session, COMMAND_LINE, "site.made", site_id=site.id, site=site.name, units=units)
    remark(f"{site.name}: {units} units on record. Its id:")
    typer.echo(site.id)


@app.command("readings")
def import_readings(
    file: File,
    site: SiteId,
    interval_min: Annotated[
        int | None, typer.Option(help="Minutes that a reading covers, for a CSV without such a column.")
    ] = None,
    answer: Annotated[
        list[str] | None, typer.Option(metavar="KEY=VALUE", help="Answers a question; give one for each.")
    ] = None,
    mapping: Annotated[
        str | None, typer.Option(help="Takes the answers remembered under that name, and remembers these.")
    ] = None,
    dry_run: Annotated[bool, typer.Option(help="Say how the file would be read, and store nothing.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print for programs.")] = False,
    rejected: Annotated[
        Path | None, typer.Option(dir_okay=False, help="Write every rejected row and its reason to this CSV.")
    ] = None,
) -> None:
    """Take readings into a site, ours or exported by any program; the same file again changes nothing.

    Ours are JSON, CSV and Parquet as the API takes them. Others may be delimited text, rows of JSON, workbooks
    (.xlsx) and ZIP archives of these: what they leave open is asked; then nothing is stored, and the exit status is 3.
    """
    engine = open_database()
    answers = answers_from(answer or (), interval_min)
    with _refusals_named(file):
        kind = form_of(file, file.name)
        if kind is None:
            how = {"dry_run": dry_run, "as_json": as_json}
            import_export(engine, site, file, answers, **how, rejected=rejected, mapping=mapping)
            return
        body = file.read_bytes()
        minutes = int(checked_answers(answers).get("interval_min", 0)) or None
        if dry_run:
            show_ours(len(parse_readings(body, kind, minutes)), as_json=as_json)
            return
        with _working(f"Taking in {file.name}"):
            receipt = take_readings(engine, site, body, kind, minutes, imported=_import(file))
    _print_receipt(receipt, as_json=as_json, rejected=rejected)


@app.command("weather")
def import_weather(
    file: File,
    site: SiteId,
    interval_min: Annotated[int | None, typer.Option(help="Minutes that a row of a CSV covers.")] = None,
) -> None:
    """Take weather that was measured on site: JSON, or CSV with a column start. The same again changes nothing."""
    engine = open_database()
    with _refusals_named(file), _working(f"Taking in {file.name}"):
        kind = CSV_TYPE if file.suffix.lower() == ".csv" else JSON_TYPE
        receipt = take_weather(engine, site, file.read_bytes(), kind, interval_min, imported=_import(file))
    _print_receipt(receipt)


def _import(file: Path) -> Import:
    return Import(COMMAND_LINE, file.name)


@contextmanager
def _refusals_named(file: Path) -> Iterator[None]:
    try:
        yield
    except Refused as refused:
        said = f"{file} was refused, nothing of it was kept: {_listed(refused.errors)}."
        raise Failure(said if file.suffix.lower() in TYPES else f"{said} {_OURS}") from None
    except NoSuchSite:
        raise Failure(
            "There is no site of that id; `yieldproof import site` prints it when it makes one."
        ) from None


def _listed(errors: Sequence[FieldError]) -> str:
    return "; ".join(f"{e.field} {e.message}".strip() for e in errors)


@contextmanager
def _working(doing: str) -> Iterator[None]:
    with Console(stderr=True).status(doing):
        yield


def _print_receipt(receipt: Receipt, *, as_json: bool = False, rejected: Path | None = None) -> None:
    if rejected is not None:
        write_problems(rejected, receipt.problems)
    if as_json:
        typer.echo(json.dumps({**asdict(receipt), "questions": []}, indent=1))
        return
    typer.echo(f"{receipt.accepted} accepted, {receipt.replaced} replaced, {receipt.rejected} rejected")
    if receipt.problems:
        result().print(_problem_table(receipt.problems))


def _problem_table(problems: Sequence[dict[str, Any]]) -> Table:
    more = len(problems) - PROBLEMS_SHOWN
    table = Table(
        "Serial", "Start", "Field", "Value", "Problem", caption=f"and {more} more" if more > 0 else None
    )
    for problem in problems[:PROBLEMS_SHOWN]:
        names = ("serial", "start", "field", "value", "message")
        table.add_row(*("" if problem[n] is None else str(problem[n]) for n in names))
    return table
