"""Rows that one changed byte makes unreadable, although every start reads them: put right, so that the daemon starts and can
say so. Their digests still differ, so the finding `store-changed` names them.
"""

import sqlite3
from collections.abc import Collection
from contextlib import closing

from meterd.adapters.store.month_rows import CLOSED_TO
from meterd.adapters.store.write_store import WriteStore
from meterd.core.errors import ConfigError
from meterd.core.model.finding import FindingState
from meterd.core.registers.corrections import FIGURES_FROM, factor_of, shown_of

REASON = "cannot be read: it was changed in the store"


def put_right(store: WriteStore, changed: Collection[str], now_ms: int) -> None:
    """Mend facts, findings and corrections; `changed` names what differs from its digest, as `digest_comparison` does."""
    connection = store.connection
    with store.transaction():
        _facts(connection, changed)
        for table in ("finding", "finding_old"):
            _findings(connection, table)
        _corrections(connection, now_ms)


def _facts(connection: sqlite3.Connection, changed: Collection[str]) -> None:
    """A changed fact counts as missing, and is made again. Only how far figures are final has no other source.

    If that is no number any more, everything that is closed counts as final: rather too much than too little.
    """
    for (name,) in connection.execute("SELECT name FROM fact").fetchall():
        if name != FIGURES_FROM and f"fact {name}" in changed:
            connection.execute("DELETE FROM fact WHERE name = ?", (name,))
    connection.execute(
        "UPDATE fact SET value = COALESCE((SELECT value FROM fact WHERE name = ?), ?)"
        " WHERE name = ? AND CAST(CAST(value AS INTEGER) AS TEXT) <> value",
        (CLOSED_TO, "0", FIGURES_FROM),
    )


def _findings(connection: sqlite3.Connection, table: str) -> None:
    known = [str(state) for state in FindingState]
    marks = ", ".join("?" * len(known))
    connection.execute(f"UPDATE {table} SET state = ? WHERE state NOT IN ({marks})", (FindingState.NEW, *known))
    for column in ("points", "evidence"):
        connection.execute(f"UPDATE {table} SET {column} = '[]' WHERE NOT json_valid({column})")


def _corrections(connection: sqlite3.Connection, now_ms: int) -> None:
    """One that cannot be applied any more is withdrawn: the figures keep it until they are calculated again."""
    with closing(connection.execute("SELECT id, factor, reads FROM correction WHERE withdrawn_ms IS NULL")) as rows:
        wrong = [number for number, factor, reads in rows.fetchall() if not _is_correction(factor, reads)]
    for number in wrong:
        connection.execute(
            "UPDATE correction SET withdrawn_ms = ?, withdrawn_reason = ? WHERE id = ?", (now_ms, REASON, number)
        )


def _is_correction(factor: str, reads: str) -> bool:
    try:
        shown_of(reads) if reads else factor_of(factor)
    except ConfigError:
        return False
    return True
