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
        intervals = [(row[2], row[4]) for row in figures(db, f"WHERE channel = {channel} AND period = 'interval'")]
        ask = "SELECT start_ms, energy FROM figure WHERE channel = ? AND period = 'year' ORDER BY start_ms"
        for start, energy in db.execute(ask, (channel,)).fetchall():
            year = 1970 + round(start / DAY_MS / 365.2425)  # it begins within a day of the UTC year
            ask = "SELECT COALESCE(MIN(end_ms), 0) FROM balance WHERE period = 'year' AND start_ms = ?"
            (end,) = db.execute(ask, (start,)).fetchone()
            known = [value for at, value in intervals if start <= at < end and value is not None]
            total = sum(known) if known else None
            sums[f"{year} {name}"] = total
            if energy is not None and energy != total:
                faults.append(f"{year} {name}: {energy} mWh, its intervals give {total}")
    return sums, faults


def has(db: sqlite3.Connection, table: str) -> bool:
    """Whether the store has a table."""
    return db.execute("SELECT 1 FROM sqlite_schema WHERE name = ?", (table,)).fetchone() is not None


def figures(db: sqlite3.Connection, where: str = "") -> Iterator[tuple]:
    """All figures, or those of a register and period, whether they stand in rows or in blocks."""
    yield from db.execute(f"SELECT * FROM figure {where}")
    for block in (
        db.execute(f"SELECT channel, period, energies, rest FROM figure_block {where}")
        if has(db, "figure_block")
        else ()
    ):
        yield from of_figure_block(*block)


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


def of_planes(data: bytes, count: int, at: int, rows: int) -> list[list[int]]:
    """The columns whose planes of bits stand behind a place."""
    size, columns, lengths = (count + 7) // 8, [], data[at : at + rows]
    at += rows
    for length in lengths:
        planes = [int.from_bytes(data[at + k * size :][:size], "little") for k in range(length)]
        turned = [sum((plane >> i & 1) << k for k, plane in enumerate(planes)) for i in range(count)]
        columns.append([number >> 1 ^ -(number & 1) for number in turned])
        at += size * length
    return columns


def of_figure_block(channel: int, period: str, energies: bytes, rest: bytes) -> Iterator[tuple]:
    """The figures of a block, as rows of `figure`."""
    _, count, first, step, *shapes = struct.unpack_from("<BIqqBqBqBqBq", energies)
    assert zlib.crc32(energies[:-4]) == int.from_bytes(energies[-4:], "little")
    end = 57 + count * shapes[0]
    numbers, at, columns = energies[57:end] + (zlib.decompress(energies[end:-4]) if energies[end:-4] else b""), 0, []
    for width, base in zip(shapes[::2], shapes[1::2], strict=True):
        columns.append([base + int.from_bytes(numbers[at + width * i :][:width], "little") for i in range(count)])
        at += width * count
    data = zlib.decompress(rest[1:])
    length, *sums = struct.unpack_from("<I7q", data)
    reasons = json.loads(data[60 : 60 + length])
    differences = zip(*of_planes(data, count, 60 + length, 7), strict=True)
    for place, (energy, beyond, flags, known, more) in enumerate(zip(*columns, differences, strict=True)):
        sums = [(a + b + 2**63) % 2**64 - 2**63 for a, b in zip(sums, more, strict=True)]
        version, lacking, after, raw, stood, written, reason = sums
        start = first + step * place + beyond
        anchor = [None if lacking >> i & 1 else v for i, v in enumerate((start + after, raw, start + after + stood))]
        yield channel, period, start, version, energy if known else None, flags, *anchor, written, reasons[reason]


def of_block(channel: int, content: bytes) -> Iterator[tuple[int | float, ...]]:
    """The readings of a block, as rows of `reading`."""
    form, data = content[0], zlib.decompress(content[1:])
    count, seq, time, value = struct.unpack_from("<I3q", data)
    columns, step = of_planes(data, count, 28, 6 if form else 5), 0
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
        if kind == "reading" and has(db, "reading_block"):
            packed = db.execute("SELECT channel, content FROM reading_block").fetchall()
            rows = chain(rows, *(of_block(*block) for block in packed))
        if kind == "figure":
            rows = figures(db)
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
