"""The measure for replay: polars doing only the quarter-hour differences and the sums, from the same file.

`python -m tests.bench.polars_sums FILE FOLDER`: writes 15 min, hour, day, month as Parquet. Needs the extra `bench`.
"""

import sys
from pathlib import Path

import polars as pl

ZONE = "Europe/Vienna"


def run(file: Path, folder: Path) -> None:
    """Differences of the registers at the quarter hours, summed to hours, local days and months."""
    shown = pl.scan_parquet(file).filter(pl.col("time").dt.epoch("s") % 900 == 0).collect()
    time = pl.col("time").dt.convert_time_zone(ZONE)
    energy = shown.select(time, pl.exclude("time").diff().shift(-1)).head(-1)
    folder.mkdir(parents=True, exist_ok=True)
    energy.write_parquet(folder / "interval.parquet")
    for name, every in (("hour", "1h"), ("day", "1d"), ("month", "1mo")):
        energy = energy.group_by_dynamic("time", every=every).agg(pl.exclude("time").sum())
        energy.write_parquet(folder / f"{name}.parquet")


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))
