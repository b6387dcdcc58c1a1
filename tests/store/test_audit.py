from __future__ import annotations

from sqlalchemy import Engine

from service.store import audit
from service.store.database import reading, writing


def test_notes_come_back_newest_first_by_site(engine: Engine) -> None:
    with writing(engine) as session:
        audit.note(session, "Ana", "record.replaced", site_id="a", units=3)
        audit.note(session, "Bo", "account.made", name="Cy")
        audit.note(session, "Ana", "unit.mended", site_id="a", serial="1")
    with reading(engine) as session:
        everything = audit.latest(session)
        assert [row.action for row in everything] == ["unit.mended", "account.made", "record.replaced"]
        assert [row.action for row in audit.latest(session, site_id="a")] == [
            "unit.mended",
            "record.replaced",
        ]
        assert [r.details for r in audit.latest(session, before=everything[1].id)] == [{"units": 3}]
