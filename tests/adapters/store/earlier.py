"""Stores of this version made into what an earlier one had left, with everything that is in them."""

from contextlib import closing
from pathlib import Path

from meterd.adapters.store.reconciled_flows import ReconciledFlows
from meterd.adapters.store.schema import connection_of

_NEW = "('flow_points', 'unpacked')"  # tables of version 10


def back_to_version_9(path: Path) -> int:
    """Flows of balances as texts, without the tables of version 10; how many flows there were."""
    with closing(connection_of(path)) as db:  # whose triggers keep the digests
        flows, count = ReconciledFlows(db), 0
        db.execute("BEGIN")
        for table in ("balance", "balance_old"):
            key = "board, period, start_ms, version"
            rows = db.execute(f"SELECT {key}, reconciled FROM {table} WHERE typeof(reconciled) = 'blob'").fetchall()
            texts = [(text, *place) for *place, text in flows.in_text(rows, 4)]
            where = "board = ? AND period = ? AND start_ms = ? AND version = ?"
            db.executemany(f"UPDATE {table} SET reconciled = ? WHERE {where}", texts)
            count += len(texts)
        db.execute("COMMIT")
        db.executescript(
            f"DELETE FROM digest_reach WHERE kind IN {_NEW}; DELETE FROM digest WHERE kind IN {_NEW};"
            " DROP TABLE flow_points; DROP TABLE unpacked; DROP TABLE reading_block; DROP TABLE figure_block;"
            " PRAGMA user_version = 9"
        )
    return count
