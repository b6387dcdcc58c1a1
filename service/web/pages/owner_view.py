"""The owner's page: one sentence, one figure, one picture. Plain words; no serials, no ratios."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.expect.site import Site
from service.report import words
from service.report.days import DayTotal
from service.report.language import gettext as _
from service.report.language import ngettext
from service.verify.result import Finding, Verification
from service.web.pages import view

BARS_HEIGHT, BAR_STEP, BAR_WIDTH = 140, 48, 34
DAYS_SHOWN = 7


@dataclass(frozen=True)
class Bar:
    """One day: what was made, within what the light allowed; positions in the picture."""

    x: int
    made_height: float
    due_height: float
    weekday: str
    number: str

    @property
    def middle(self) -> float:
        """Return where the day's name stands."""
        return self.x + BAR_WIDTH / 2


@dataclass(frozen=True)
class Bars:
    """The picture, and what it shows in words."""

    width: int
    bars: tuple[Bar, ...]
    alt: str


@dataclass(frozen=True)
class OwnerView:
    """What the page shows; no figure and no bars before there are readings."""

    sentence: str
    figure: str
    caption: str
    bars: Bars | None
    closing: str


def owner_view(found: Verification | None, days: Sequence[DayTotal], site: Site) -> OwnerView:
    """Return the page's content."""
    if found is None:
        closing = _("As soon as the first figures arrive, this page shows them.")
        return OwnerView(_("Your roof has not sent any figures yet."), "", "", None, closing)
    shown = days[-DAYS_SHOWN:]
    made_wh = sum(day.measured_wh for day in shown)
    return OwnerView(
        sentence=_sentence(found, site),
        figure=words.energy(made_wh),
        caption=_caption(shown),
        bars=bars(shown) if any(day.expected_wh or day.measured_wh for day in shown) else None,
        closing=_closing(found),
    )


def _caption(days: Sequence[DayTotal]) -> str:
    text = ngettext(
        "made by your roof in %(num)s day, %(dates)s",
        "made by your roof in %(num)s days, %(dates)s",
        len(days),
    )
    dates = words.days(days[0].day, days[-1].day) if days else ""
    return text % {"num": words.number(len(days)), "dates": dates}


def bars(days: Sequence[DayTotal]) -> Bars:
    """Return one bar for each day, all on one scale."""
    tallest = max((max(day.measured_wh, day.expected_wh) for day in days), default=0.0) or 1.0
    drawn = tuple(_bar(i, day, tallest) for i, day in enumerate(days))
    said = [f"{words.weekday(day.day)}: {words.energy_of(day.measured_wh, day.expected_wh)}" for day in days]
    alt = _("Made of what the light allowed. %(days)s") % {"days": "; ".join(said)}
    return Bars(DAYS_SHOWN * BAR_STEP, drawn, alt)


def _bar(index: int, total: DayTotal, tallest: float) -> Bar:
    made, due = (round(BARS_HEIGHT * wh / tallest, 1) for wh in (total.measured_wh, total.expected_wh))
    x = index * BAR_STEP + (BAR_STEP - BAR_WIDTH) // 2
    return Bar(x, made, due, words.short_weekday(total.day), f"{total.day.day}")


def _sentence(found: Verification, site: Site) -> str:
    if found.verdict == "verified":
        return _("Your roof makes what it should.")
    if found.verdict == "too_little_light":
        return _("It is too early to say: there has been too little light.")
    main = next(finding for finding in found.findings if finding.is_fault)
    return words.CAUSES[main.cause].owner.format(panels=_panels(main, found, site))


def _panels(finding: Finding, found: Verification, site: Site) -> str:
    named = view.serials_of(finding, found)
    count = sum(unit.module_count for unit in site.units if unit.serial in named)
    if count == 0:
        return _("some of your panels")
    total = sum(unit.module_count for unit in site.units)
    if count == 1 and total > 1:
        return _("one of your %(total)s panels") % {"total": words.number(total)}
    return words.counted(count, "panel")


def _closing(found: Verification) -> str:
    if found.verdict == "attention":
        return _("Your installer sees this too and knows where to look.")
    return _("If anything changes, your installer sees it.")
