"""Every page there is, each at one concrete address at least. A route of a page that is not here fails a test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tests.web.roles import routes

NOT_PAGES = {
    "/openapi.json", "/healthz", "/readyz", "/metrics", "/static/{file}",
    "/s/{code}",
}  # fmt: skip
"""Answers for programs, files, and what only leads on to a page."""

FILE_ENDINGS = (".{form}", ".svg", ".pdf", ".csv", ".xlsx", ".png", ".json", ".parquet", ".jpg")
FILE_ROUTES = ("/photos/",)
FILE = "/sites/{site_id}/exports/{number}"


@dataclass(frozen=True)
class Look:
    """A page as it is looked at: a name, its route, an address with `{names}` of the house, and who looks."""

    name: str
    route: str
    address: str
    by: str = "office"
    status: int = 200
    twin: bool = False
    """Built as another that is looked at: on screenshots, but not examined again."""


LOOKS = (
    Look("sign-in", "/sign-in", "/sign-in", "nobody"),
    Look("sites", "/", "/?week=all"),
    Look("sites-none-found", "/", "/?week=all&q=nothing-has-this-name"),
    Look("sites-installer", "/", "/?week=all", "installer"),
    Look("go", "/go", "/go", "installer"),
    Look("go-wrong", "/go", "/go?code=zzzz", "installer", status=404),
    Look("site", "/sites/{site_id}", "/sites/{faulty}"),
    Look("site-day", "/sites/{site_id}", "/sites/{faulty}?day=2026-05-07", twin=True),
    Look("site-healthy", "/sites/{site_id}", "/sites/{healthy}", twin=True),
    Look("site-fresh", "/sites/{site_id}", "/sites/{fresh}"),
    Look("site-bare", "/sites/{site_id}", "/sites/{bare}"),
    Look("unit-shaded", "/sites/{site_id}/units/{serial:path}", "/sites/{faulty}/units/{serial}"),
    Look("unit-dead", "/sites/{site_id}/units/{serial:path}", "/sites/{faulty}/units/{dead}"),
    Look("quality", "/sites/{site_id}/quality", "/sites/{faulty}/quality"),
    Look("van", "/sites/{site_id}/van", "/sites/{faulty}/van", "installer"),
    Look("van-healthy", "/sites/{site_id}/van", "/sites/{healthy}/van", "installer", twin=True),
    Look("van-fresh", "/sites/{site_id}/van", "/sites/{fresh}/van", "installer"),
    Look("van-bare", "/sites/{site_id}/van", "/sites/{bare}/van", "installer"),
    Look("job-sheet", "/sites/{site_id}/job-sheet", "/sites/{faulty}/job-sheet"),
    Look("mark", "/sites/{site_id}/mark", "/sites/{faulty}/mark?subject={subject}", "installer"),
    Look("punch-all", "/punch", "/punch?state=all"),
    Look("punch", "/sites/{site_id}/punch", "/sites/{faulty}/punch"),
    Look("punch-installer", "/sites/{site_id}/punch", "/sites/{faulty}/punch", "installer", twin=True),
    Look("replace", "/sites/{site_id}/replace", "/sites/{faulty}/replace?old={dead}", "installer"),
    Look("site-new", "/sites/new", "/sites/new"),
    Look("site-edit", "/sites/{site_id}/edit", "/sites/{faulty}/edit"),
    Look("horizon", "/sites/{site_id}/horizon", "/sites/{faulty}/horizon"),
    Look("plan", "/sites/{site_id}/plan", "/sites/{faulty}/plan"),
    Look("plan-installer", "/sites/{site_id}/plan", "/sites/{healthy}/plan", "installer", twin=True),
    Look("plan-paste", "/sites/{site_id}/plan/paste", "/sites/{faulty}/plan/paste"),
    Look("files", "/sites/{site_id}/exports", "/sites/{bare}/exports"),
    Look("file-asks", FILE, "/sites/{bare}/exports/{file_asks}", "installer"),
    Look("file-ready", FILE, "/sites/{bare}/exports/{file_ready}"),
    Look("file-failed", FILE, "/sites/{bare}/exports/{file_failed}"),
    Look(
        "file-looking", FILE, "/sites/{bare}/exports/{file_looking}", twin=True
    ),  # it comes anew all the time
    Look("file-done", FILE, "/sites/{bare}/exports/{file_done}"),
    Look("owner", "/owner/{token}", "/owner/{owner_faulty}", "nobody"),
    Look("owner-healthy", "/owner/{token}", "/owner/{owner_healthy}", "nobody"),
    Look("owner-bare", "/owner/{token}", "/owner/{owner_bare}", "nobody"),
    Look("account", "/account", "/account", "installer"),
    Look("password", "/password/{invitation}", "/password/{invitation}", "nobody"),
    Look("password-gone", "/password/{invitation}", "/password/gone", "nobody", status=404),
    Look("people", "/people", "/people"),
    Look("person", "/people/{account_id}", "/people/{account_id}"),
    Look("tokens", "/tokens", "/tokens"),
    Look("audit", "/audit", "/audit"),
    Look("site-audit", "/sites/{site_id}/audit", "/sites/{faulty}/audit"),
    Look("feeds", "/sites/{site_id}/feeds", "/sites/{faulty}/feeds"),
    Look("feed-new", "/sites/{site_id}/feeds/new", "/sites/{faulty}/feeds/new"),
    Look("feed", "/sites/{site_id}/feeds/{number}", "/sites/{faulty}/feeds/1"),
    Look("missing", "", "/nothing", status=404),
)


def page_routes(app: Any) -> set[str]:
    """Return the routes of the application that show a page."""
    return {path for method, path in routes(app.routes) if method == "GET" and _is_page(path)}


def _is_page(path: str) -> bool:
    is_file = path.endswith(FILE_ENDINGS) or any(part in path for part in FILE_ROUTES)
    return not (is_file or path in NOT_PAGES or path.startswith("/api/"))
