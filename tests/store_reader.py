"""Reads a store without meterd: `python store_reader.py FILE` adds up the energies of each year and makes every digest anew.

It knows only what meterd/adapters/store/README.md says, and needs the standard library alone. Output: JSON.
"""

import json
import sqlite3
import struct
import sys
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from hashlib import blake2b
from itertools import chain
from pathlib import Path

DAY_MS, ALL_BITS, OF_FLOAT = 86_400_000, 2**64 - 1, 0x5555555555555555
TIMES = {  # tables with digests: the columns of series and time; empty where a table has none
    "reading": ("channel", "at_ms"), "figure": ("channel", "start_ms"), "figure_old": ("channel", "start_ms"),
    "balance": ("board", "start_ms"), "balance_old": ("board", "start_ms"), "pv": ("", "start_ms"),
    "pv_old": ("", "start_ms"), "drift_day": ("part", "start_ms"), "forecast": ("", "issued_ms"), "fact": ("name", ""),
    "finding": ("id", ""), "finding_old": ("id", ""), "finding_note": ("id", ""),
}  # fmt: skip


def years(db: sqlite3.Connection) -> tuple[dict[str, int], list[str]]:
    """Energy of each register and year in mWh, as the sum of its intervals; years of which the sum says something else."""
    sums, faults = {}, []
    named = dict(db.execute("SELECT id, point || ' ' || register FROM channel").fetchall())
    for channel, name in named.items():
        ask = "SELECT start_ms, energy FROM figure WHERE channel = ? AND period = 'year' ORDER BY start_ms"
        for start, energy in db.execute(ask, (channel,)).fetchall():
            year = 1970 + round(start / DAY_MS / 365.2425)  # it begins within a day of the UTC year
            (total,) = db.execute(
                "SELECT SUM(energy) FROM figure WHERE channel = ? AND period = 'interval' AND start_ms >= ? AND start_ms <"
                " (SELECT MIN(end_ms) FROM balance WHERE period = 'year' AND start_ms = ?)",
                (channel, start, start),
            ).fetchone()
            sums[f"{year} {name}"] = total
            if energy is not None and energy != total:
                faults.append(f"{year} {name}: {energy} mWh, its intervals give {total}")
    return sums, faults


def fingerprint(row: Sequence[object]) -> int:
    """Of a row: 40 bits of BLAKE2b of its values as a Python tuple is written."""
    return int.from_bytes(blake2b(repr(tuple(row)).encode(), digest_size=5).digest(), "big")


def reading_fingerprint(row: Sequence[int | float]) -> int:
    """Of a reading: its columns mixed one after the other, the upper 40 bits of the last product."""
    h = 0x9E3779B97F4A7C15
    for value in row:
        whole = value if isinstance(value, int) else struct.unpack("<Q", struct.pack("<d", value))[0] ^ OF_FLOAT
        h = ((h ^ (whole & ALL_BITS)) * 0xD6E8FEB86659FD93) & ALL_BITS
        h ^= h >> 32
    return ((h * 0xC2B2AE3D27D4EB4F) & ALL_BITS) >> 24


def of_block(channel: int, content: bytes) -> Iterator[tuple[int | float, ...]]:
    """The readings of a block, as rows of `reading`."""
    form, data = content[0], zlib.decompress(content[1:])
    count, seq, time, value = struct.unpack_from("<I3q", data)
    size, columns, step, at = (count + 7) // 8, [], 0, 34 if form else 33
    for length in data[28:at]:
        planes = [int.from_bytes(data[at + k * size :][:size], "little") for k in range(length)]
        turned = [sum((plane >> i & 1) << k for k, plane in enumerate(planes)) for i in range(count)]
        columns.append([number >> 1 ^ -(number & 1) for number in turned])
        at += size * length
    for more, faster, rise, delay, marks, *real in zip(*columns, strict=True):
        seq, step, value = seq + more, step + faster, value + rise
        time += step
        shown: int | float = value if form != 1 else value / 1000 if real[0] else value // 1000
        if form == 2 and real[0]:
            (shown,) = struct.unpack("<d", struct.pack("<Q", value & ALL_BITS))
        yield seq, channel, time, shown, time + delay, marks


def changed_days(db: sqlite3.Connection) -> tuple[list[str], list[str]]:
    """Tables whose digests are complete; table, series and day of which the rows are not those that have a digest."""
    marks = db.execute("SELECT kind, complete, subject, seq FROM digest_reach").fetchall()
    reach = {kind: (complete, subject, seq) for kind, complete, subject, seq in marks}
    sums: dict[tuple[str, object, int], list[int]] = defaultdict(lambda: [0, 0])
    for kind, (complete, former, last) in reach.items():
        series, time = TIMES.get(kind, ("", ""))
        rows = db.execute(f"SELECT * FROM {kind}" + (f" WHERE seq <= {last}" if kind == "reading" else ""))
        columns = [column[0] for column in rows.description]
        if kind == "reading" and db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'reading_block'").fetchone():
            packed = db.execute("SELECT channel, content FROM reading_block").fetchall()
            rows = chain(rows, *(of_block(*block) for block in packed))
        for row in rows if complete else ():
            values = dict(zip(columns, row, strict=True))
            key = (kind, values[series] if series else "", values[time] // DAY_MS if time else 0)
            sums[key][0] += 1
            mixed = kind == "reading" and row[0] > (former or 0)
            sums[key][1] += reading_fingerprint(row) if mixed else fingerprint(row)
    digests = db.execute("SELECT kind, subject, day, count, sum FROM digest WHERE count").fetchall()
    complete_ones = [row for row in digests if reach.get(row[0], (0,))[0]]
    stored = {(kind, subject, day): [count, total] for kind, subject, day, count, total in complete_ones}
    digested = [kind for kind, (complete, _, _) in reach.items() if complete]
    return digested, [f"{key}" for key in sorted({*stored, *sums}, key=repr) if stored.get(key) != sums.get(key)]


def read(path: Path) -> dict:
    """Schema, totals and faults of a store."""
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    (schema,) = db.execute("PRAGMA user_version").fetchone()
    totals, faults = years(db)
    digested, changed = changed_days(db) if schema >= 8 else ([], [])
    return {"schema": schema, "totals_mwh": totals, "digested": digested, "faults": faults + changed}


if __name__ == "__main__":
    print(json.dumps(read(Path(sys.argv[1])), indent=1))
    assert "meterd" not in sys.modules
