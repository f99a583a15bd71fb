"""The measure for replay: pandas doing only the quarter-hour differences and the sums, from the same file.

`python -m tests.bench.pandas_sums FILE FOLDER`: writes 15 min, hour, day, month as Parquet, prints `seconds peak_mb`.
"""

import resource
import sys
import time
from pathlib import Path

import pandas as pd

ZONE = "Europe/Vienna"


def run(file: Path, folder: Path) -> None:
    """Differences of the registers at the quarter hours, summed to hours, local days and months."""
    shown = pd.read_parquet(file).set_index("time")
    quarter = shown.resample("15min").first()
    energy = (quarter.shift(-1) - quarter).iloc[:-1]
    del shown, quarter
    energy = energy.tz_convert(ZONE)
    folder.mkdir(parents=True, exist_ok=True)
    energy.to_parquet(folder / "interval.parquet")
    for name, rule in (("hour", "h"), ("day", "D"), ("month", "MS")):
        energy = energy.resample(rule).sum()
        energy.to_parquet(folder / f"{name}.parquet")


if __name__ == "__main__":
    begun = time.monotonic()
    run(Path(sys.argv[1]), Path(sys.argv[2]))
    print(time.monotonic() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6)
