"""Copies of a store with one bit changed: which are told to be damaged or changed, and which read other rows in silence.

python -m tests.faults.flipped_bytes 1000    # of a small store with rows in every table; 2 minutes
"""

import random
import sqlite3
import sys
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.store.drift_statistics import DriftDay
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings, has_blocks
from meterd.adapters.store.maintenance_log import Record
from meterd.adapters.store.recovery import find_damage
from meterd.app.daemon.digest_check import at_start
from meterd.core.model.finding import Finding, FindingNote, FindingRow, Suppression
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.registers.corrections import Correction
from meterd.core.texts.notification_digest import SentNotification
from tests.faults.mill import MAY, StoreInFolder, as_readings, minutes

HOUR = 3_600_000
COURSE = Course((0, None, 10), (5, None, 20), (9, None, 30))
# What only says what a database of lines has still to get, what says how far digests reach, and they themselves.
# A block is looked at by the readings or figures in it.
OTHERS = {
    "reading_block",
    "figure_block",
    "change",
    "line_mark",
    "digest",
    "digest_reach",
    "sqlite_sequence",
    "sqlite_stat1",
}


def fill(folder: Path) -> Path:
    """A store of three hours with powers, a late reading and a day before, closed in order."""
    folder_store = StoreInFolder(folder)
    folder_store.feed(as_readings(minutes(60, start_ms=MAY - 24 * HOUR, step=5)))
    folder_store.feed(as_readings(minutes(180)))
    powers = [Reading("q01", POWER, MAY + i * 60_000, i / 2, MAY + i) for i in range(120)]
    folder_store.feed([*powers, Reading("q01", IMPORT, MAY + 90_500, 10_150_000, MAY + 9)], MAY + 4 * HOUR)
    folder_store.close()
    return folder_store.path


def fill_every_table(folder: Path) -> Path:
    """The same with a correction, so that there are superseded figures, and with what people and the daemon write down."""
    path = fill(folder)
    folder_store = StoreInFolder(folder)
    store, ledger, now = folder_store.store, folder_store.ledger, MAY + 5 * HOUR
    factor = Correction(0, "q01", IMPORT, MAY, MAY + 2 * HOUR, "1.02", "ratio plate", "Ada", now)
    ledger.correct(("q01", IMPORT), (MAY, MAY + 2 * HOUR), now, lambda: store.corrections.add(factor))
    while ledger.recompute_piece(now) is not None:
        pass
    finding = Finding("stale", "q05", now, "nothing was received for 5 minutes", "see the cable", ("q05",))
    with store.transaction():
        store.finding_tables.write(FindingRow(finding, now, now, "new", None, 2))
        store.finding_tables.archive(FindingRow(finding, now, now, "closed", now, 1))
        store.finding_tables.add_note(FindingNote(finding.id, 1, now, "closed", "Ada", "cable repaired"))
        store.finding_tables.add_suppression(Suppression("q02", MAY, now, "Ada", "inspection"), "order-1")
        store.finding_tables.write_sent_notification("mail", [(finding.id, SentNotification(1, now, True))])
        store.records.add(Record("exchange", "q02", MAY, "Ada", "calibration", now, {"serial": "17"}))
        store.issued.add(IssueRecord("month-report", "2026-05", MAY, now, now, "Ada", "ab" * 32, (("q01", IMPORT, 5),)))
        store.forecasts.keep(SiteForecast(MAY, 900_000, False, 14, ((Quantity.PV, COURSE),)))
        store.drift_days.keep([DriftDay("main", MAY, now, bytes(range(64)))])
    folder_store.close()
    return path


def rows(path: Path) -> list[list[tuple[object, ...]]]:
    """Every row that a figure or a word can come from, also as the indices have them."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        tables = sorted(row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'"))
        results = [db.execute(f"SELECT * FROM {table}").fetchall() for table in tables if table not in OTHERS]
        results.append(
            db.execute("SELECT channel, at_ms, value FROM reading ORDER BY channel, at_ms, value").fetchall()
        )
        if has_blocks(db):
            every = JoinedReadings(db)
            named = [number for (number,) in db.execute("SELECT id FROM channel ORDER BY id")]
            results.append([(n, *row) for n in named for row in every.rows(n, -(2**62), 2**62)])
            results.append(every.after(0, 10**6))
            figures = JoinedFigures(db)
            results.append([(n, *row) for n in named for p in Period for row in figures.rows(n, p, -(2**62), 2**62)])
        results.append(db.execute("SELECT id, point, register FROM channel ORDER BY point, register").fetchall())
    return results


@dataclass(slots=True)
class Trial:
    """How many copies were told to be damaged, how many to be changed, how many hold what they held; where others do not."""

    damaged: int = 0
    changed: int = 0
    harmless: int = 0
    silent: list[int] | None = None


def trial(store: Path, folder: Path, copies: int, seed: int = 11) -> Trial:
    """Change one bit of each copy, and open it as the daemon does."""
    generator, data = random.Random(seed), store.read_bytes()
    right, result, silent = rows(store), Trial(), []
    for number in range(copies):
        place, bit = generator.randrange(len(data)), 1 << generator.randrange(8)
        copy = folder / f"{number}.sqlite"
        copy.write_bytes(data[:place] + bytes([data[place] ^ bit]) + data[place + 1 :])
        if find_damage(copy):
            result.damaged += 1
        elif at_start(copy):
            result.changed += 1
        elif _same(copy, right):
            result.harmless += 1
        else:
            silent.append(place)
        for path in folder.glob(f"{number}.sqlite*"):
            path.unlink()
    result.silent = silent
    return result


def _same(copy: Path, right: list[list[tuple[object, ...]]]) -> bool:
    try:
        return rows(copy) == right
    except (sqlite3.Error, UnicodeDecodeError):
        return True  # it does not open, which everybody sees


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        print(trial(fill_every_table(Path(made)), Path(made), int(sys.argv[1])))
