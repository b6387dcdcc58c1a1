"""Reduce the Payerne minutes of June 2016 to shares of the clear sky: `python -m tests.fleet.reduce_payerne FILE`.

FILE is the station-to-archive file that the wheel `pvlib==0.9.5` carries as `pvlib/data/bsrn-lr0100-pay0616.dat`.
Run once; its result is kept in `data/`. Days start twelve hours before mean solar noon, minutes with the sun
below five degrees are left empty.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from pvlib.iotools import read_bsrn

from tests.fleet.skies import DAY_MIN, PAYERNE, STATION, clear_at_payerne

LOWEST_SUN_DEG = 5.0


def reduce(path: str) -> pd.DataFrame:
    """Return beam and diffuse of every minute as shares of the clear sky's, float16."""
    measured, _ = read_bsrn(path)
    minutes = measured.index
    elevation, dni, dhi = clear_at_payerne(minutes)
    seen = elevation > LOWEST_SUN_DEG
    shares = pd.DataFrame(
        {
            "beam": np.where(seen, np.clip(measured["dni"] / dni, 0, 1.1), np.nan),
            "diffuse": np.where(seen, measured["dhi"] / dhi, np.nan),
        },
        index=minutes,
    )
    shift = round(STATION.longitude / 15 * 60)
    return shares.iloc[DAY_MIN - shift : len(shares) - shift].reset_index(drop=True).astype("float16")


if __name__ == "__main__":
    reduce(sys.argv[1]).to_parquet(PAYERNE, compression="zstd", compression_level=19)
