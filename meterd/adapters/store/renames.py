"""A point goes on under a new name: its readings, figures, findings and corrections stay one history."""

import json
import sqlite3

from meterd.adapters.store.write_store import WriteStore

_OWN_KEYS = ("finding_old", "finding_note", "notice")  # tables that name a finding by its id


def adopt(store: WriteStore, old: str, new: str) -> list[str]:
    """Give everything of one name to another. Belongs into a transaction of the store.

    Returns the registers that both names had: their figures must be recalculated.

    Where both names have figures of one interval, the new name's stay, unless they are missing; the others are set aside as
    version 0. Reports that were issued keep the name they were issued under.
    """
    db = store.connection
    rows = db.execute("SELECT id, register FROM channel WHERE point = ?", (old,)).fetchall()
    merged = []
    for number, register in rows:
        taken = db.execute("SELECT id FROM channel WHERE point = ? AND register = ?", (new, register)).fetchone()
        if taken is None:
            db.execute("UPDATE channel SET point = ? WHERE id = ?", (new, number))
        else:
            _merge(store, number, int(taken[0]))
            merged.append(str(register))
    for table, column in (("correction", "point"), ("record", "point"), ("suppression", "what")):
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", (new, old))
    _findings(db, old, new)
    store.forget_channels()
    return merged


def _merge(store: WriteStore, old: int, new: int) -> None:
    """Readings and figures of one register into those of another."""
    db = store.connection
    store.packer.take_apart(old)  # of two equal readings one stays
    ends = store.readings.ends(old)
    if ends is not None:
        store.packer.take_apart(new, ends[0], ends[1] + 1)
    db.execute("UPDATE OR IGNORE reading SET channel = ? WHERE channel = ?", (new, old))
    db.execute("DELETE FROM reading WHERE channel = ?", (old,))
    for number in (old, new):
        store.figure_packer.take_apart(number)
    # of two figures of one interval the known one stands
    db.execute(
        "UPDATE figure AS f SET energy = o.energy, flags = o.flags, anchor_ms = o.anchor_ms, anchor_raw = o.anchor_raw,"
        " anchor_plateau = o.anchor_plateau, version = f.version + 1, written_ms = o.written_ms, reason = o.reason"
        " FROM figure AS o WHERE f.channel = ? AND o.channel = ? AND o.period = f.period AND o.start_ms = f.start_ms"
        " AND f.energy IS NULL AND o.energy IS NOT NULL",
        (new, old),
    )
    columns = "period, start_ms, {}, energy, flags, anchor_ms, anchor_raw, anchor_plateau, written_ms, reason"
    db.execute(
        f"INSERT OR IGNORE INTO figure_old (channel, {columns.format('version')})"
        f" SELECT ?, {columns.format('0')} FROM figure WHERE channel = ? AND (period, start_ms) IN"
        " (SELECT period, start_ms FROM figure WHERE channel = ?)",
        (new, old, new),
    )
    for table in ("figure", "figure_old"):
        db.execute(f"UPDATE OR IGNORE {table} SET channel = ? WHERE channel = ?", (new, old))
        db.execute(f"DELETE FROM {table} WHERE channel = ?", (old,))
    # what stands is newer than all that was set aside, also under the other name
    same = "o.channel = figure.channel AND o.period = figure.period AND o.start_ms = figure.start_ms"
    newest = f"(SELECT MAX(o.version) FROM figure_old AS o WHERE {same})"
    db.execute(f"UPDATE figure SET version = {newest} + 1 WHERE channel = ? AND version <= {newest}", (new,))
    db.execute("UPDATE change SET subject = ? WHERE kind = 'figure' AND subject = ?", (new, old))
    db.execute("DELETE FROM channel WHERE id = ?", (old,))


def _findings(db: sqlite3.Connection, old: str, new: str) -> None:
    """Findings go by cause and subject; one that is there under both names stays under the new one."""
    for table in ("finding", "finding_old"):
        for name, points in db.execute(f"SELECT DISTINCT id, points FROM {table}").fetchall():
            names = json.loads(points)
            if old in names:
                changed = json.dumps([new if item == old else item for item in names])
                db.execute(f"UPDATE {table} SET points = ? WHERE id = ? AND points = ?", (changed, name, points))
    for name, cause in db.execute("SELECT id, cause FROM finding WHERE subject = ?", (old,)).fetchall():
        fresh = f"{cause}-{new}"
        if db.execute("SELECT 1 FROM finding WHERE id = ?", (fresh,)).fetchone():
            continue
        db.execute("UPDATE finding SET id = ?, subject = ? WHERE id = ?", (fresh, new, name))
        db.execute("UPDATE finding_old SET subject = ? WHERE id = ?", (new, name))
        for table in _OWN_KEYS:
            db.execute(f"UPDATE OR IGNORE {table} SET id = ? WHERE id = ?", (fresh, name))
