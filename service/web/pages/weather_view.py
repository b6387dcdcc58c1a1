"""What the pages say of the weather: whence the air temperature, what a service says of the light, what went wrong.

Nothing is judged here, and no service is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import Request

from service.fetch.services import SERVICES
from service.report import words
from service.report.language import gettext as _
from service.report.language import marked
from service.settings import PREFIX
from service.store import fetched
from service.store.database import reading
from service.store.fetched import Trouble
from service.verify.result import Sky, Told
from service.web.pages.lookup import Shown

MEASURED_SD_K = 1.5
"""Up to this uncertainty nearly all of the air temperature came from a sensor."""

WHY = {
    "unreachable": marked(
        "%(service)s has not been reachable since %(moment)s. See whether this computer has a network and whether a "
        "firewall or a proxy stands in the way."
    ),
    "slow": marked("%(service)s has not answered in time since %(moment)s. It is asked again by itself."),
    "refused": marked(
        "%(service)s has refused the access since %(moment)s. Correct %(setting)s; a new account also has to accept "
        "the terms of the data on the pages of the service itself."
    ),
    "too_many": marked(
        "%(service)s has said since %(moment)s that it is asked too often. It is asked again by itself, more rarely."
    ),
    "trouble": marked(
        "%(service)s has had a fault of its own since %(moment)s. It is asked again by itself."
    ),
    "declined": marked("%(service)s has declined the question since %(moment)s. It says: “%(said)s”"),
    "changed": marked(
        "%(service)s has answered since %(moment)s in a form that is not known here, or not in full. If it stays so, "
        "update this program or choose another service in %(setting)s."
    ),
    "nothing": marked(
        "%(service)s has nothing for this place and these days. Choose another service in %(setting)s if it stays so."
    ),
    "broken": marked("The part of this program that asks %(service)s has failed since %(moment)s: %(said)s"),
}
"""Why there is no weather and what to do, by the kind of `service.fetch`."""

SETTINGS = {"key": f"{PREFIX}WEATHER_KEY", "email": f"{PREFIX}WEATHER_EMAIL", "": f"{PREFIX}WEATHER"}


@dataclass(frozen=True)
class WeatherView:
    """Sentences on the weather of a window, and what hinders fetching it, each empty where there is none."""

    air: str = ""
    light: str = ""
    credit: str = ""
    trouble: str = ""


def weather_of(request: Request, site: Shown) -> WeatherView:
    """Return what to say of the site's weather."""
    code = request.app.state.settings.weather
    with reading(request.app.state.engine) as session:
        trouble = fetched.trouble(session, site.site_id, code)
    said = trouble_sentence(trouble, site.zone) if trouble else ""
    if site.found is None:
        return WeatherView(trouble=said)
    told = site.found.sky.service
    return WeatherView(
        air=air_sentence(site.found.sky, site.zone),
        light=light_sentence(told, site.zone) if told else "",
        credit=next((s.credit for s in SERVICES.values() if told and s.name == told.name), ""),
        trouble=said,
    )


def trouble_sentence(trouble: Trouble, zone: ZoneInfo) -> str:
    """Return what hinders, since when, what to do, and that the verification goes on."""
    service = SERVICES[trouble.service]
    setting = SETTINGS[service.needs if trouble.kind == "refused" else ""]
    values = {
        "service": service.name,
        "moment": words.moment(trouble.since, zone),
        "setting": setting,
        "said": trouble.said,
    }
    goes_on = _(
        "The verification goes on without it, by the usual air temperature of place and season where nothing else "
        "tells it."
    )
    return f"{_(WHY.get(trouble.kind, WHY['broken'])) % values} {goes_on}"


def air_sentence(sky: Sky, zone: ZoneInfo) -> str:
    """Return whence the air temperature is, how well it is known, and what that leaves open."""
    if sky.air_temp_sd_k is None or sky.temperature_sd is None:
        return ""
    told = sky.service
    values = {
        "kelvin": words.number(2 * sky.air_temp_sd_k, 0),
        "share": words.percent(2 * sky.temperature_sd),
        "service": told.name if told else "",
        "moment": words.moment(told.fetched_at if told else None, zone),
    }
    return f"{_air_from(sky) % values} {_left_open(sky) % values}"


def _air_from(sky: Sky) -> str:
    if sky.service is not None and sky.service.air_temp:
        return _(
            "The air temperature is that of %(service)s where no sensor tells it, fetched %(moment)s and known to "
            "about %(kelvin)s °C either way."
        )
    if sky.air_temp_sd_k is not None and sky.air_temp_sd_k <= MEASURED_SD_K:
        return _("The air temperature is measured on site, to about %(kelvin)s °C either way.")
    return _(
        "The air temperature is the usual one of place and season, known to about %(kelvin)s °C either way."
    )


def _left_open(sky: Sky) -> str:
    if sky.source == "array":
        return _(
            "That leaves %(share)s either way open in performance ratios; an index against like units does not hang on "
            "it."
        )
    return _("That leaves %(share)s either way open in performance indices, whose bands hold it.")


def light_sentence(told: Told, zone: ZoneInfo) -> str:
    """Return what a service says of the light beside the units; empty where it says nothing."""
    if told.light_over_array is None or told.low is None or told.high is None:
        return ""
    text = _(
        "By %(service)s, fetched %(moment)s, there was %(share)s of the light that the units show, and by what is "
        "known of both between %(low)s and %(high)s."
    ) % {
        "service": told.name,
        "moment": words.moment(told.fetched_at, zone),
        "share": words.percent(told.light_over_array),
        "low": words.percent(told.low),
        "high": words.percent(told.high),
    }
    return f"{text} {_means(told.low, told.high)}"


def _means(low: float, high: float) -> str:
    if low > 1:
        return _(
            "That is more than they show: see whether the ratings on record are right and all modules are clean. "
            "Nothing is judged by it."
        )
    if high < 1:
        return _(
            "That is less than they show: see whether the ratings on record are right. Nothing is judged by it."
        )
    return _("The two agree as far as they can. Nothing is judged by it.")
