"""What was the matter with each site's readings, as it was found: bytes, with the data version and who found it.

What is in them is for `quality`, how they are packed for `jobs`.
"""

from __future__ import annotations

from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col

from service.store.tables import QualityRow


def save(session: Session, site_id: str, data_version: int, result: bytes, *, made_by: str) -> None:
    """Keep what was found, unless something of newer data is there already."""
    values = {"site_id": site_id, "data_version": data_version, "made_by": made_by, "result": result}
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    insert = dialect.insert(QualityRow).values(values)
    changed = {name: insert.excluded[name] for name in values if name != "site_id"}
    newer = col(QualityRow.data_version) <= insert.excluded.data_version
    session.execute(insert.on_conflict_do_update(index_elements=["site_id"], set_=changed, where=newer))


def load(session: Session, site_id: str) -> QualityRow | None:
    """Return what was kept, current or not."""
    return session.get(QualityRow, site_id, populate_existing=True)
