"""The `import` commands: a site record, readings or weather from a file, straight into the database."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from service.cli.plain import Failure, open_database, remark, result
from service.intake.json_form import parse_json
from service.intake.parse import CSV_TYPE, JSON_TYPE, PARQUET_TYPE
from service.intake.problems import FieldError, Refused
from service.intake.record import as_stored, read_record
from service.intake.take import Import, NoSuchSite, Receipt, take_readings, take_weather
from service.report.deeds import COMMAND_LINE
from service.store import sites
from service.store.audit import note
from service.store.database import writing

app = typer.Typer(help="Bring in site records, readings and weather from files.", no_args_is_help=True)

TYPES = {".json": JSON_TYPE, ".csv": CSV_TYPE, ".parquet": PARQUET_TYPE}
PROBLEMS_SHOWN = 20

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
) -> None:
    """Take readings (JSON, CSV or Parquet) into a site; the same file again changes nothing."""
    engine = open_database()
    with _refusals_named(file), _working(f"Taking in {file.name}"):
        receipt = take_readings(
            engine, site, file.read_bytes(), _type_of(file), interval_min, imported=_import(file)
        )
    _print_receipt(receipt)


@app.command("weather")
def import_weather(file: File, site: SiteId) -> None:
    """Take measured or fetched weather (JSON) into a site."""
    engine = open_database()
    with _refusals_named(file), _working(f"Taking in {file.name}"):
        receipt = take_weather(engine, site, file.read_bytes(), JSON_TYPE, imported=_import(file))
    _print_receipt(receipt)


def _import(file: Path) -> Import:
    return Import(COMMAND_LINE, file.name)


def _type_of(file: Path) -> str:
    try:
        return TYPES[file.suffix.lower()]
    except KeyError:
        raise Failure(
            f"{file} is of no known kind; name it {', '.join(f'…{suffix}' for suffix in TYPES)} "
            "according to what is in it."
        ) from None


@contextmanager
def _refusals_named(file: Path) -> Iterator[None]:
    try:
        yield
    except Refused as refused:
        raise Failure(f"{file} was refused, nothing of it was kept: {_listed(refused.errors)}.") from None
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


def _print_receipt(receipt: Receipt) -> None:
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
