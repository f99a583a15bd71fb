"""The measure for replay: DuckDB doing only the quarter-hour differences and the sums, from the same file.

`python -m tests.bench.duckdb_sums FILE FOLDER`: writes 15 min, hour, day, month as Parquet. Needs the extra `bench`.
"""

import sys
from pathlib import Path

import duckdb

ZONE = "Europe/Vienna"


def run(file: Path, folder: Path) -> None:
    """Differences of the registers at the quarter hours, summed to hours, local days and months."""
    db = duckdb.connect()
    db.execute(f"SET TimeZone = '{ZONE}'")
    shown = db.execute("SELECT * FROM read_parquet(?) LIMIT 0", [str(file)]).description or []
    names = [f'"{column[0]}"' for column in shown if column[0] != "time"]
    steps = ", ".join(f"lead({name}) OVER w - {name} AS {name}" for name in names)
    db.execute(
        f"CREATE TABLE interval AS SELECT time, {steps} FROM read_parquet(?) WHERE epoch_ms(time) % 900000 = 0"
        f" WINDOW w AS (ORDER BY time) QUALIFY lead(time) OVER w IS NOT NULL",
        [str(file)],
    )
    sums = ", ".join(f"CAST(sum({name}) AS BIGINT) AS {name}" for name in names)
    before = "interval"
    hour = "to_timestamp(floor(epoch(time) / 3600) * 3600)"  # the local one that the clocks repeat is two
    starts = {"hour": hour, "day": "date_trunc('day', time)", "month": "date_trunc('month', time)"}
    for name, start in starts.items():
        db.execute(f"CREATE TABLE {name} AS SELECT {start} AS time, {sums} FROM {before} GROUP BY ALL")
        before = name
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("interval", "hour", "day", "month"):
        db.execute(f"COPY (SELECT * FROM {name} ORDER BY time) TO '{folder / name}.parquet' (FORMAT parquet)")


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))
