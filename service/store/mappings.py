"""Answers given for exported files, under a name of somebody's choice; `intake.export` knows what they mean."""

from __future__ import annotations

from collections.abc import Mapping

from sqlmodel import Session, col, select

from service.store.tables import ExportMapping


def remembered(session: Session, site_id: str, name: str) -> dict[str, str]:
    """Return the answers of that name, none where nothing was kept yet."""
    row = session.get(ExportMapping, (site_id, name))
    return dict(row.answers) if row else {}


def remember(session: Session, site_id: str, name: str, answers: Mapping[str, str], kind: str = "") -> None:
    """Keep the answers in the place of those of that name, with the kind of file that they are for."""
    session.merge(ExportMapping(site_id=site_id, name=name, answers=dict(answers), kind=kind))


def names(session: Session, site_id: str) -> list[str]:
    """Return the names under which answers are kept for the site."""
    query = select(ExportMapping.name).where(col(ExportMapping.site_id) == site_id)
    return list(session.exec(query.order_by(col(ExportMapping.name))))


def of_kind(session: Session, site_id: str, kind: str) -> list[ExportMapping]:
    """Return the answers kept for files of that kind."""
    query = select(ExportMapping).where(col(ExportMapping.site_id) == site_id)
    return list(session.exec(query.where(col(ExportMapping.kind) == kind).order_by(col(ExportMapping.name))))


def forget(session: Session, site_id: str, name: str) -> bool:
    """Forget the answers of that name; return whether there were any."""
    row = session.get(ExportMapping, (site_id, name))
    if row is not None:
        session.delete(row)
    return row is not None
