"""`meterd retain`: old readings leave the journal, but only after what was made of them and their copy are verified.

figures verified (`old_readings`)  ->  archive written and read back = rows in the journal  ->  readings deleted
"""

from collections.abc import Iterator, Mapping
from itertools import zip_longest
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.parquet as pq

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.dump import ArchiveReader
from meterd.adapters.store.retention import prune
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.export import ExportRequest, Span, export, months
from meterd.app.operations.retention_check import Cut
from meterd.core.errors import StoreError
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import FIGURES_FROM


def archive(plan: Plan, path: Path, folder: Path, cut: Cut, now_ms: int) -> None:
    """Write what shall go as Parquet and read it back; StoreError if it is not the same, row by row."""
    cuts = {channel: cut.channels[channel] if channel in cut.readings else -(2**62) for channel in cut.channels}
    span = Span(min(prunable.first_ms for prunable in cut.readings.values()), cut.before_ms)
    export(plan, path, folder, ExportRequest(("readings",), span, "parquet", cuts.__getitem__), now_ms)
    reader, held = ArchiveReader(path), 0
    try:
        for partition, part in months(span, ZoneInfo(plan.site.zone)):
            written = _read_back(folder / "readings" / partition / "part.parquet")
            for ours, theirs in zip_longest(_expected(reader, cuts, part), written):
                if ours != theirs:
                    raise StoreError(f"the archive {folder} has {theirs} in the place of {ours}; nothing was deleted")
                held += 1
    finally:
        reader.close()
    if held != sum(prunable.held for prunable in cut.readings.values()):
        raise StoreError(f"the archive {folder} does not hold all readings; nothing was deleted")


ArchivedReading = tuple[str, str, int, float]  # point, register, time, value


def _expected(reader: ArchiveReader, cuts: Mapping[Channel, int], part: Span) -> Iterator[ArchivedReading]:
    for channel in reader.channels:
        until = min(part.until_ms, cuts[channel])
        for at, value, *_ in reader.readings(channel, part.from_ms, until):
            assert isinstance(at, int), "times are whole milliseconds"
            assert isinstance(value, int | float), "the journal holds numbers"
            yield *channel, at, value


def _read_back(path: Path) -> Iterator[ArchivedReading]:
    if not path.exists():
        return
    columns = ["point", "obis", "time", "value", "count"]
    with pq.ParquetFile(path) as file:
        for batch in file.iter_batches(columns=columns):
            points, registers, times, values, counts = (batch.column(name) for name in columns)
            rows = zip(
                points.to_pylist(),
                registers.to_pylist(),
                times.cast(pa.int64()).to_pylist(),
                values.to_pylist(),
                counts.to_pylist(),
                strict=True,
            )
            yield from ((p, r, t, v if c is None else c) for p, r, t, v, c in rows)


def retain(store: WriteStore, cut: Cut) -> int:
    """Delete what was verified and archived; returns how many readings went."""
    with store.transaction():
        store.set_fact(FIGURES_FROM, str(cut.figures_from_ms))
    return prune(store, cut.readings)
