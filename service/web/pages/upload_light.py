"""The light of a file in words, as a picture and as numbers, for people who look whether it is read rightly."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.jobs.file_light import FileLight
from service.report import charts, words
from service.report.days import DAY_MIN, Profile
from service.report.language import gettext as _
from service.report.sheets import TENTH, Column, Table, in_zone
from service.store.tables import Site, Upload
from service.web.pages.drawings import Drawing
from service.web.pages.site_view import Chart

LEAST_SHARE, MOST_SHARE = 0.3, 1.3
"""Of a clear sky's energy, on the brightest day of a file: outside, the quantity is doubtful (from memory)."""


def light_of(upload: Upload) -> FileLight | None:
    """Return the light that looking found, None if there was none."""
    kept = (upload.found or {}).get("light")
    if not kept:
        return None
    values: dict[str, Any] = {name: tuple(v) if isinstance(v, list) else v for name, v in kept.items()}
    return FileLight(**values)


def light_sentence(light: FileLight) -> str:
    """Return when the middle of the light is, beside the sun's."""
    noon = _clock(light.noon_min)
    if light.late_min is None:
        return _(
            "The sun is highest at %(noon)s; the file shows no whole day of light to compare it with."
        ) % {"noon": noon}
    middle = _clock(light.noon_min + light.late_min)
    return _("The light of this file has its middle at %(middle)s; the sun is highest at %(noon)s.") % {
        "middle": middle,
        "noon": noon,
    }


def doubt_of(light: FileLight) -> str:
    """Return why the energies can hardly be meant so; empty where they can."""
    share = _share(light)
    if share is None or LEAST_SHARE <= share <= MOST_SHARE:
        return ""
    values = {"share": words.percent(share), "day": words.day(date.fromisoformat(light.day))}
    if share < LEAST_SHARE:
        said = _(
            "On its brightest day, %(day)s, the units made %(share)s of what a clear sky gives: little. Look below at "
            "what the values are."
        )
    else:
        said = _(
            "On %(day)s the units made %(share)s of what a clear sky gives: more than can be. Look below at what the "
            "values are."
        )
    return said % values


def _share(light: FileLight) -> float | None:
    pairs = [(made, due) for made, due in zip(light.file_w, light.clear_w, strict=True) if made is not None]
    due = sum(due for _made, due in pairs)
    return sum(made for made, _due in pairs) / due if due > 0 else None


def _clock(minute: float) -> str:
    whole = round(minute) % DAY_MIN
    return words.clock(datetime(2000, 1, 1, whole // 60, whole % 60).time())  # noqa: DTZ001 - a clock's time


def light_chart(href: str, upload: Upload, light: FileLight) -> Chart:
    """Return the picture as the page shows it."""
    return Chart(
        path=f"{href}/light.svg",
        version=f"{upload.number}-{upload.turn}",
        alt=light_sentence(light),
        wide=charts.evidence_size(),
        narrow=charts.evidence_size(narrow=True),
    )


def light_drawing(site: Site, light: FileLight) -> Drawing:
    """Return the picture of a file's light, with its numbers."""
    day, zone = date.fromisoformat(light.day), ZoneInfo(site.record["timezone"])
    title = _("The light of the file and a clear sky, mean power of one unit")
    slots = np.array(light.minutes) // light.step_min
    made, due = np.full(-(-DAY_MIN // light.step_min), np.nan), np.zeros(-(-DAY_MIN // light.step_min))
    made[slots] = [np.nan if watts is None else watts for watts in light.file_w]
    due[slots] = light.clear_w
    profile = Profile(light.step_min, made, due)
    columns = (
        Column(in_zone(_("Time"), zone)),
        Column(_("In the file, W"), TENTH),
        Column(_("Under a clear sky, W"), TENTH),
    )
    clocks = [f"{minute // 60:02}:{minute % 60:02}" for minute in light.minutes]
    return Drawing(
        title,
        lambda **form: charts.light_panel(day, profile, light.noon_min, title=title, **form),
        lambda: Table(site.name, columns, zip(clocks, light.file_w, light.clear_w, strict=True)),
    )
