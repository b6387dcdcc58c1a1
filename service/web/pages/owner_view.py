"""The owner's page: one sentence, what is being done, one figure, one picture. Plain words; no serials, no ratios."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from service.expect.site import Site
from service.jobs.punch_list import subject_of
from service.report import words
from service.report.language import gettext as _
from service.store.site_days import Day
from service.store.tables import PunchEntry
from service.verify.result import Finding, Verification
from service.web.pages import view
from service.web.pages.contact import Contact
from service.web.pages.lookup import Shown
from service.web.pages.owner_bars import Bars, bars
from service.web.pages.owner_doing import doing
from service.web.pages.owner_total import Total, shade, total


@dataclass(frozen=True)
class OwnerView:
    """What the page shows; no total and no bars before there are readings."""

    sentence: str
    doing: tuple[str, ...]
    total: Total | None
    bars: Bars | None
    shade: str
    contact: Contact | None


def owner_view(
    site: Shown,
    days: Sequence[Day],
    today: date,
    *,
    still_due: int = 0,
    entries: Sequence[PunchEntry] = (),
) -> OwnerView:
    """Return the page's content; `days` are those since commissioning, `today` is the site's."""
    found = site.found
    firm = site.contact.name if site.contact else ""
    return OwnerView(
        sentence=sentence(found, site.record, proven=_proven(entries))
        if found
        else _("Your roof has not sent any figures yet."),
        doing=doing(entries, site.record, firm=firm, today=today) or (_closing(found),),
        total=total(days, site.commissioned_on, today, still_due=still_due),
        bars=bars(days),
        shade=shade(found, site.record) if found else "",
        contact=site.contact,
    )


def _proven(entries: Sequence[PunchEntry]) -> set[str]:
    """Return what was mended and proven so: a window that reaches back still shows it as it was."""
    newest = {entry.subject: entry.state for entry in entries}
    return {subject for subject, state in newest.items() if state == "closed"}


def sentence(found: Verification, site: Site, *, proven: Collection[str] = ()) -> str:
    """Return the answer: all is well, or what is most wrong and was not proven to be mended."""
    if found.verdict == "verified":
        return _("Your roof makes what it should.")
    if found.verdict == "too_little_light":
        return _("It is too early to say: there has been too little light.")
    standing = [f for f in found.findings if f.is_fault and subject_of(f) not in proven]
    if not any(f.is_fault for f in found.findings):
        return _("Part of your roof makes less than it should; the figures do not tell why yet.")
    if not standing:
        return _("Your roof makes what it should again.")
    main = standing[0]
    return words.CAUSES[main.cause].owner.format(panels=_panels(main, found, site))


def _panels(finding: Finding, found: Verification, site: Site) -> str:
    named = view.serials_of(finding, found)
    count = sum(unit.module_count for unit in site.units if unit.serial in named)
    if count == 0:
        return _("some of your panels")
    total_count = sum(unit.module_count for unit in site.units)
    if count == 1 and total_count > 1:
        return _("one of your %(total)s panels") % {"total": words.number(total_count)}
    return words.counted(count, "panel")


def _closing(found: Verification | None) -> str:
    if found is None:
        return _("As soon as the first figures arrive, this page shows them.")
    if found.verdict == "attention":
        return _("Your installer sees this too and knows where to look.")
    return _("If anything changes, your installer sees it.")
