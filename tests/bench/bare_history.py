"""A history without meterd: files of an archive read with pyarrow and summed with numpy, in a loop and by the engine alone.

What the engine gains here is what it can give to work of this size, and what two plain processes gain what the machine can.
"""

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq


@dataclass(frozen=True, slots=True)
class Files:
    """The files of one task, and how often each is read, so that the work is as long as another."""

    paths: tuple[str, ...]
    times: int = 1


def files_of(archive: Path, table: str, months: int) -> list[Files]:
    """A table of each site of an archive: so many months go together."""
    pieces = []
    for site in sorted(archive.glob("site=*")):
        paths = [str(path) for path in sorted(site.glob(f"table={table}/month=*/*.parquet"))]
        pieces += [Files(tuple(paths[low : low + months])) for low in range(0, len(paths), months)]
    return pieces


def total(files: Files) -> int:
    """The sum of all whole numbers in the files."""
    result = 0
    for _ in range(files.times):
        for path in files.paths:
            table = pq.read_table(path, use_threads=False)
            for column in table.columns:
                if pa.types.is_integer(column.type):
                    result += int(column.fill_null(0).to_numpy().sum())
    return result


def as_long_as(pieces: Sequence[Files], wanted_s: float) -> list[Files]:
    """The same pieces, each so often that a loop over all takes about so many seconds of processor."""
    sum(map(total, pieces))  # the files are in memory and the library is loaded then
    begun = time.process_time()
    sum(map(total, pieces))
    times = max(1, round(wanted_s / (time.process_time() - begun)))
    return [Files(piece.paths, times) for piece in pieces]


@contextmanager
def engine(count: int) -> Iterator[Any]:
    """The engine with so many worker processes, as it is delivered but for what it draws and writes."""
    from dask import config
    from distributed import Client, LocalCluster

    quiet = {"distributed.nanny.pre-spawn-environ": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}}
    with (
        config.set(quiet),
        LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        yield client


def in_turn(pieces: Sequence[Files]) -> list[object]:
    """The sums of all pieces, one after the other."""
    return [total(piece) for piece in pieces]


def spread(client: Any, pieces: Sequence[Files]) -> list[object]:
    """The sums of all pieces, each a task."""
    return list(client.gather(client.map(total, pieces, pure=False)))


def halves(pool: Executor, pieces: Sequence[Files]) -> list[object]:
    """The sums of all pieces, by two processes that hand over nothing but their halves."""
    middle = len(pieces) // 2
    return [item for part in pool.map(in_turn, (pieces[:middle], pieces[middle:])) for item in part]
