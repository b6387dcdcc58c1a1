"""The services that can be asked: what they hold, how late and how sure it is, and how they want to be named.

Uncertainties are standard ones and from memory where nothing is named. Of air temperature they hold outside steep
country: a cell of 10 to 60 km has one elevation. Of light: hourly means deviate from ground stations by 37 % (ERA5), 50
% (MERRA-2) and 31 to 35 % (satellites) in the mean over China (doi:10.3390/rs17071317, mean absolute deviation), which
a day's sum brings to half; what stays however long the window is, the bias, is 5 % by satellite and 10 % by reanalysis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pvlib.iotools import nasa_power, pvgis, sodapro

from service.fetch.model import CHANNELS


@dataclass(frozen=True)
class Service:
    """A service: its name, its address, and what a user of it has to know.

    `credit` is the sentence that its terms ask for; `late_days` after how many days a day is there; `pause_s` the least
    time between two questions of one installation; `longest_s` how long an answer may take; `needs` what of the user.
    """

    name: str
    credit: str
    url: str
    late_days: int
    pause_s: int
    longest_s: int
    light_sd: float
    light_day_sd: float
    air_temp_sd_k: float = 2.5
    needs: Literal["", "key", "email"] = ""
    channels: tuple[str, ...] = CHANNELS


SERVICES = {
    "nasa_power": Service(
        name="NASA POWER",
        credit="These data were obtained from the NASA Langley Research Center POWER Project funded through the NASA "
        "Earth Science Directorate Applied Science Program.",
        url=nasa_power.URL,
        late_days=3,
        pause_s=30,
        longest_s=60,
        light_sd=0.08,
        light_day_sd=0.2,
        air_temp_sd_k=3.0,
    ),
    "pvgis": Service(
        name="PVGIS",
        credit="PVGIS \N{COPYRIGHT SIGN} European Union, 2001-2026.",
        url=pvgis.URL,
        late_days=365,
        pause_s=30,
        longest_s=60,
        light_sd=0.05,
        light_day_sd=0.15,
    ),
    "era5": Service(
        name="ERA5",
        credit="Contains modified Copernicus Climate Change Service information. Neither the European Commission nor "
        "ECMWF is responsible for any use that may be made of it.",
        url="https://cds.climate.copernicus.eu/api/retrieve/v1/",
        late_days=6,
        pause_s=60,
        longest_s=300,
        light_sd=0.1,
        light_day_sd=0.25,
        needs="key",
    ),
    "cams": Service(
        name="CAMS Radiation",
        credit="Contains modified Copernicus Atmosphere Monitoring Service information. Neither the European "
        "Commission nor ECMWF is responsible for any use that may be made of it.",
        url=sodapro.URL,
        late_days=3,
        pause_s=15 * 60,
        longest_s=90,
        light_sd=0.05,
        light_day_sd=0.15,
        needs="email",
        channels=("ghi_w_m2",),
    ),
}
"""By the setting's word. How late each is: CAMS two days and 100 questions a day (pvlib's `get_cams`), ERA5 five days
(its data store), NASA POWER's air two and its light about seven (from memory), a day added to each; PVGIS holds years
that are over, one or more behind."""
