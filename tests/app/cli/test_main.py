"""The program around its commands: what is set before any of them runs."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.app.small_plant import plan

CHILD = """\
import os, sys
from meterd.app.cli.main import main
assert main(["check", sys.argv[1]]) == 0
import numpy
numpy.ones((500, 500)) @ numpy.ones((500, 500))
print(len(os.listdir("/proc/self/task")), "threads")
"""


@pytest.mark.parametrize(("wanted", "threads"), [(None, 1), ("2", min(2, len(os.sched_getaffinity(0))))])
def test_matrices_are_worked_out_in_one_thread_unless_the_operator_wants_more(
    tmp_path: Path, wanted: str | None, threads: int
) -> None:
    """Found on a busy machine: `meterd suspects` waited for a second thread longer than it computed."""
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    if wanted is not None:
        environment["OPENBLAS_NUM_THREADS"] = wanted
    result = subprocess.run(
        [sys.executable, "-c", CHILD, plan(tmp_path)], env=environment, capture_output=True, text=True, timeout=300
    )
    assert result.stdout.splitlines()[-1:] == [f"{threads} threads"], result.stderr
