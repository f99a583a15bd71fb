"""Work on many pieces: in this process, in several of this machine, or on a running cluster of dask.

A piece travels to the process that works on it, and its result back, so both should be small: name files, do not carry
tables. A process that is killed in the middle is replaced, and its piece done once more: work must give the same twice.
"""

import logging
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from itertools import accumulate, pairwise
from tempfile import TemporaryDirectory
from typing import Any, Protocol, TypeVar

from meterd import __version__
from meterd.core.errors import ConfigError, StoreError

T = TypeVar("T")
R = TypeVar("R")
ANSWER_S = 15  # a cluster that says nothing for so long is not there
AHEAD = 2_000  # pieces handed over at a time, so that neither they nor their results pile up
TOGETHER = 6  # pieces of one task at most: each task costs 5 to 8 ms of processor
# what a running process of the engine does beside the work, by the clock: a tenth of a core as it is delivered
_QUIET = {
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.tick.interval": "1s",
    # not its MALLOC_TRIM_THRESHOLD_: every array given back to the system at once cost half as much again as the work
    "distributed.nanny.pre-spawn-environ": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    "distributed.scheduler.work-stealing": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.target": False,
    "distributed.worker.profile.enabled": False,
}


class Spread(Protocol):
    """Carries out work on each piece; results come in the order of the pieces."""

    def __call__(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[R]:
        """The results, each as soon as it and all before it are there."""
        ...


def usual() -> int:
    """How many workers there are unless somebody says otherwise: one for each processor, one alone without dask."""
    return (os.cpu_count() or 1) if find_spec("distributed") else 1


@contextmanager
def workers(count: int, address: str = "") -> Iterator[Spread]:
    """One worker is this process; more are processes of this machine; an address is that of a running scheduler.

    ConfigError where dask is not installed or the cluster is none of ours, StoreError where it does not answer.
    """
    if not address and count == 1:
        yield _here
        return
    try:
        from dask import config
        from distributed import Client, LocalCluster
    except ImportError as exc:
        what = "several workers need a package beside meterd: install meterd[cluster], or give --workers 1"
        raise ConfigError(f"{what} ({exc})") from exc
    _silence()
    with TemporaryDirectory(prefix="meterd-") as folder:
        if not address:
            # pieces of unequal length: one at a time for each process
            local = {"threads_per_worker": 1, "dashboard_address": "127.0.0.1:0", "silence_logs": logging.CRITICAL}
            with (
                config.set(_QUIET),
                LocalCluster(n_workers=count, host="127.0.0.1", local_directory=folder, **local) as cluster,
                Client(cluster) as client,
            ):
                yield _Cluster(client)
            return
        try:
            client = Client(address, timeout=ANSWER_S)
        except (OSError, ValueError) as exc:
            raise StoreError(f"no cluster answers at {address}: {exc}; start dask scheduler and dask worker") from exc
        with client:
            _same_version(client, address)
            yield _Cluster(client)


def _silence() -> None:
    """What matters of it comes as an exception. Its loggers have levels of their own."""
    for name in list(logging.root.manager.loggerDict):
        if name.partition(".")[0] == "distributed":
            logging.getLogger(name).setLevel(logging.CRITICAL)


def _here(work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[R]:
    return map(work, pieces)


def version() -> str:
    """The version of this program where it is called."""
    return __version__


def _same_version(client: Any, address: str) -> None:
    """Figures are the same everywhere only if the program is."""
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
        versions = client.run(version)
    except TimeoutError as exc:
        raise StoreError(f"the cluster at {address} has no worker; start dask worker {address}") from exc
    except Exception as exc:  # an edge of the house style: whatever the other side lacks
        raise ConfigError(f"the workers of {address} cannot load meterd: {exc}; install it there too") from exc
    for place, theirs in versions.items():
        if theirs != __version__:
            raise ConfigError(f"the worker {place} has meterd {theirs}, this is {__version__}; install the same one")


class _Cluster:
    """Workers that are reached through dask."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def __call__(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[R]:
        """The results in the order of the pieces."""
        count = len(self._client.nthreads())
        for low in range(0, len(pieces), AHEAD):
            some = pieces[low : low + AHEAD]
            tasks = [
                (work, some[first:last]) for first, last in pairwise(accumulate(_sizes(len(some), count), initial=0))
            ]
            futures = self._client.map(_together, tasks, pure=False)
            while futures:
                yield from _result(futures.pop(0), self._client)


def _sizes(pieces: int, count: int) -> Iterator[int]:
    """How many pieces go together: half of what is left for each worker, so that few tasks end at nearly the same time.

    Guided self-scheduling (Polychronopoulos and Kuck, 1987); pieces may be of unequal length.

    >>> [list(_sizes(pieces, 2)) for pieces in (0, 3, 24)]
    [[], [1, 1, 1], [6, 5, 4, 3, 2, 1, 1, 1, 1]]
    """
    while pieces:
        size = min(TOGETHER, -(-pieces // (2 * max(count, 1))))
        yield size
        pieces -= size


def _together(task: tuple[Callable[[T], R], Sequence[T]]) -> list[R]:
    work, pieces = task
    return [work(piece) for piece in pieces]


def _result(future: Any, client: Any) -> Any:
    from distributed import CancelledError, KilledWorker, TimeoutError
    from distributed.comm import CommClosedError

    try:
        alone = 0  # looks in a row that found no worker; a process of this machine is replaced within one
        while alone < 2:
            try:
                return future.result(timeout=ANSWER_S)
            except TimeoutError:
                if future.done():
                    raise  # it is of the work
                alone = 0 if client.nthreads() else alone + 1
        raise StoreError("the cluster has no worker any more; start dask worker, and ask again")
    except KilledWorker as exc:
        what = "several worker processes ended over one piece of work; do they lack memory"
        raise StoreError(f"{what}? Give fewer --workers: {exc}") from exc
    except (CancelledError, CommClosedError) as exc:
        raise StoreError("the scheduler of the cluster is gone; start it and its workers, and ask again") from exc
