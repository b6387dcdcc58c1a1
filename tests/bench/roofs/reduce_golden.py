"""Reduce Golden's minutes of March 2019 to five: `python -m tests.bench.roofs.reduce_golden FILE`.

FILE is `tests/data/nrel_data.csv` of the source distribution `captest==0.17.0`. Run once; its result is kept in
`data/`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

GOLDEN_2019 = Path(__file__).parent / "data" / "golden_2019_03.parquet"
COLUMNS = {
    "POA 40-South CMP11 [W/m^2]": "poa_w_m2",
    "Deck Dry Bulb Temp [deg C]": "air_c",
    "Avg Wind Speed @ 19ft [m/s]": "wind_m_s",
}
"""By the file's headings. Its global irradiation is left out: a plane's light is all that a unit needs."""


def reduce(path: str) -> pd.DataFrame:
    """Return means of five minutes by their starts, in standard time, float32."""
    minutes = pd.read_csv(path, index_col=0, parse_dates=True)[list(COLUMNS)].rename(columns=COLUMNS)
    return minutes.resample("5min").mean().tz_localize("Etc/GMT+7").astype("float32")


if __name__ == "__main__":
    reduce(sys.argv[1]).to_parquet(GOLDEN_2019, compression="zstd", compression_level=19)
