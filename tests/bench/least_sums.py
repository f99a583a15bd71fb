"""The least that a replay must do, with the libraries and the settings that it has itself: a bound, not a measure.

`python -m tests.bench.least_sums FILE FOLDER`: two threads read every column and see that the register only rises; energies
of quarter hours, hours, local days, weeks, months and years, their qualities, balances with a flow for each point, and the
sums of the photovoltaics are written, a file for each kind of period, while the next one is made. Without a plan, ratios,
gaps, exchanges, uncertainties, verdicts and maximum demands.
"""

import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

Ints = npt.NDArray[np.int64]
ZONE = ZoneInfo("Europe/Vienna")
QUARTER_MS, HOUR_MS = 900_000, 3_600_000
QUALITIES = pa.array(["good", "estimated", "bound", "missing"])
_OPEN = threading.local()


def column(file: Path, name: str) -> Ints:
    """One column as whole numbers."""
    if not hasattr(_OPEN, "file"):
        _OPEN.file = pq.ParquetFile(file, page_checksum_verification=True)
    (batch,) = _OPEN.file.iter_batches(2**21, columns=[name], use_threads=False)
    return np.frombuffer(batch.column(0).buffers()[1], dtype=np.int64)[: batch.num_rows]


def energies(file: Path, name: str, places: Ints) -> Ints:
    """Energies of quarter hours in mWh, of a register that must only rise."""
    shown = column(file, name)
    for low in range(0, len(shown) - 1, 16_384):
        if int(np.diff(shown[low : low + 16_385]).min()) < 0:
            raise ValueError(f"{name} falls")
    return np.diff(shown[places]) * 1000


def starts(first_ms: int, until_ms: int) -> dict[str, Ints]:
    """Starts of hours, local days, weeks, months and years in a span."""
    day = datetime.fromtimestamp(first_ms / 1000, UTC).astimezone(ZONE).date()
    days = []
    while (ms := int(datetime(day.year, day.month, day.day, tzinfo=ZONE).timestamp()) * 1000) < until_ms:
        days.append((max(ms, first_ms), day))
        day += timedelta(days=1)
    names = {"day": [True] * len(days), "week": [d.weekday() == 0 for _, d in days]}
    names |= {"month": [d.day == 1 for _, d in days], "year": [(d.month, d.day) == (1, 1) for _, d in days]}
    result = {"hour": np.arange(first_ms, until_ms, HOUR_MS)}
    for name, begins in names.items():
        result[name] = np.array([ms for k, (ms, _) in enumerate(days) if k == 0 or begins[k]])
    return result


def tables(names: list[str], start_ms: Ints, energy: Ints) -> Iterator[tuple[str, dict[str, Any]]]:
    """What is written of each kind of period."""
    others = starts(int(start_ms[0]), int(start_ms[-1]) + QUARTER_MS)
    parts = {"interval": (start_ms, energy)}
    for name, part in {"hour": "interval", "day": "hour", "week": "day", "month": "day", "year": "month"}.items():
        begins = np.searchsorted(parts[part][0], others[name])
        parts[name] = others[name], np.add.reduceat(parts[part][1], begins, axis=0)
    good = pa.DictionaryArray.from_arrays(plain(np.zeros(len(start_ms), dtype=np.int8)), QUALITIES)
    for name, (begin, sums) in parts.items():
        yield f"energy_{name}", {"start": begin, **{each: sums[:, j] for j, each in enumerate(names)}}
        yield f"quality_{name}", {"start": begin, **{each: good[: len(begin)] for each in names}}
        feed, outgoing = sums[:, 0] + sums[:, 1], sums[:, 2:].sum(axis=1)
        balance: dict[str, Any] = {"start": begin, "feed": feed, "outgoing": outgoing, "residual": feed - outgoing}
        if name == "interval":
            flows = sums + ((outgoing - feed) // sums.shape[1])[:, None]
            balance |= {f"reconciled {each}": flows[:, j] for j, each in enumerate(names)}
        yield f"balance_{name}", balance
        made = np.minimum(sums[:, 1], outgoing)
        yield f"pv_{name}", {"start": begin, "made": sums[:, 1], "used": made, "ratio": made / np.maximum(outgoing, 1)}


def plain(values: npt.NDArray[Any]) -> pa.Array:
    """Numbers as a column (`pa.array` of them imports pandas: half a second)."""
    kind = {"int64": pa.int64(), "float64": pa.float64(), "int8": pa.int8()}[str(values.dtype)]
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(np.ascontiguousarray(values))])


def write(path: Path, columns: dict[str, Any]) -> None:
    """As the replay writes."""
    arrays = {name: each if isinstance(each, pa.Array) else plain(each) for name, each in columns.items()}
    pq.write_table(pa.table(arrays), path, compression="zstd", write_page_checksum=True)


def run(file: Path, folder: Path) -> None:
    """Everything, with two threads as the replay has."""
    names = [name for name in pq.read_schema(file).names if name != "time"]
    time = column(file, "time")
    boundaries = np.arange(int(time[0]), int(time[-1]) + 1, QUARTER_MS)
    places = np.searchsorted(time, boundaries)
    energy = np.empty((len(places) - 1, len(names)), dtype=np.int64, order="F")
    with ThreadPoolExecutor(2) as pool:
        for j, each in enumerate(pool.map(lambda name: energies(file, name, places), names)):
            energy[:, j] = each
    folder.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(1) as writer:
        written = [
            writer.submit(write, folder / f"{name}.parquet", columns)
            for name, columns in tables(names, boundaries[:-1], energy)
        ]
        for item in written:
            item.result()


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))
