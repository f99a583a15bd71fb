"""The measure for the month report: pandas reading the same quarter hours from the store and adding them up by point.

`python -m tests.bench.pandas_month STORE FROM_MS UNTIL_MS FILE`: writes the sums as CSV.
"""

import sqlite3
import sys
from contextlib import closing

import pandas as pd


def run(store: str, low: int, high: int, file: str) -> None:
    """Sums in mWh by point and register, and the largest quarter hour of each."""
    ask = (
        "SELECT point, register, start_ms, energy FROM figure JOIN channel ON channel.id = figure.channel"
        " WHERE period = 'interval' AND start_ms >= ? AND start_ms < ?"
    )
    with closing(sqlite3.connect(store)) as db:
        frame = pd.read_sql_query(ask, db, params=(low, high))
    frame.groupby(["point", "register"])["energy"].agg(["sum", "max"]).to_csv(file)


if __name__ == "__main__":
    run(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
