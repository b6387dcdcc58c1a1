"""Answers given for exported files, under a name of somebody's choice; `intake.export` knows what they mean."""

from __future__ import annotations

from collections.abc import Mapping

from sqlmodel import Session

from service.store.tables import ExportMapping


def remembered(session: Session, site_id: str, name: str) -> dict[str, str]:
    """Return the answers of that name, none where nothing was kept yet."""
    row = session.get(ExportMapping, (site_id, name))
    return dict(row.answers) if row else {}


def remember(session: Session, site_id: str, name: str, answers: Mapping[str, str]) -> None:
    """Keep the answers in the place of those of that name."""
    session.merge(ExportMapping(site_id=site_id, name=name, answers=dict(answers)))
