"""A running cluster of dask: a scheduler and workers as programs of their own."""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.brokers import until
from tests.late import distributed


@contextmanager
def cluster(folder: Path, count: int = 1) -> Iterator[str]:
    """The address of its scheduler; a worker that ends is not replaced."""
    place = folder / "scheduler.json"
    program = [sys.executable, "-m", "distributed.cli"]
    scheduler = [f"{program[2]}.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show"]
    options = ["--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder)]
    running = []
    try:
        for texts in (scheduler, *(count * [[f"{program[2]}.dask_worker", *options]])):
            command = [*program[:2], *texts, "--scheduler-file", str(place)]
            running.append(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        until(lambda: place.exists() and bool(place.read_text(encoding="utf-8")), 60)
        address = json.loads(place.read_text(encoding="utf-8"))["address"]
        with distributed.Client(address) as client:
            client.wait_for_workers(count, timeout=120)
        yield address
    finally:
        for process in running:
            process.kill()
            process.wait(60)
