"""Work on pieces gives the same results in the same order with one process and with several."""

import os
import signal
import sys
from pathlib import Path

import pytest

from meterd import __version__
from meterd.adapters.cluster import workers as module
from meterd.adapters.cluster.workers import usual, version, workers
from meterd.core.errors import ConfigError, StoreError
from tests.clusters import cluster

PIECES = list(range(12))


def square(number: int) -> int:
    """Work."""
    return number * number


def refused(number: int) -> int:
    """Work that says why it cannot be done."""
    raise StoreError(f"no {number}")


def test_one_worker_is_this_process() -> None:
    with workers(1) as spread:
        assert list(spread(lambda number: (square(number), os.getpid()), [3])) == [(9, os.getpid())]
        with pytest.raises(StoreError, match="no 1"):
            list(spread(refused, [1]))
    assert usual() == os.cpu_count()


def ended(_number: int) -> None:
    """Work that ends the process it is done in."""
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.slow
def test_a_cluster_that_loses_its_last_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is said, and not waited for: found by hand, where the command stood for good."""
    with cluster(tmp_path) as address, workers(1, address) as spread:
        monkeypatch.setattr(module, "ANSWER_S", 1)
        with pytest.raises(StoreError, match="the cluster has no worker any more; start dask worker"):
            list(spread(ended, [1]))


@pytest.mark.slow
def test_several_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Results in the order of the pieces, which are handed over in turns; what work raises comes as it was raised."""
    monkeypatch.setattr(module, "AHEAD", 7)
    with workers(2) as spread:
        assert list(spread(square, PIECES)) == [number * number for number in PIECES]
        with pytest.raises(StoreError, match="no 1"):
            list(spread(refused, [1]))


def test_what_is_not_there_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cluster that does not answer, an address that is none, a machine without dask."""
    monkeypatch.setattr(module, "ANSWER_S", 1)
    for address in ("tcp://127.0.0.1:1", "mill"):
        with pytest.raises(StoreError, match=f"no cluster answers at {address}"), workers(1, address):
            pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ConfigError, match=r"install meterd\[cluster\], or give --workers 1"), workers(2):
        pass
    assert version() == __version__
