"""Zone rules come from the pinned package in every test, so that a machine with old rules gives the same answers."""

import compileall
import gc
import importlib
import os
import sys
import zoneinfo
from functools import cache
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

zoneinfo.reset_tzpath(to=[])
# how long an example takes says more about what else the machine does than about the example
settings.register_profile("meterd", deadline=None)
settings.load_profile("meterd")

# daemons and commands start again and again: they need not compile us each time, nor each worker the tests
sys.dont_write_bytecode = False
# the workers are busy as it is; a thread of BLAS that waits for small matrices takes a core (measured: three times as much)
os.environ["OPENBLAS_NUM_THREADS"] = "1"

# what takes long begins first, so that no worker is left alone with it at the end
LONG = ("tests/adapters/web/", "tests/acceptance/", "tests/simulator/", "tests/faults/", "tests/app/", "tests/bench/")


def pytest_configure(config: pytest.Config) -> None:
    """Before workers and children start, once for all of them."""
    if not hasattr(config, "workerinput"):
        compileall.compile_dir(Path(__file__).parents[1] / "meterd", quiet=1)


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Each worker of a whole run loads other files first: assertions of a file are then rewritten by one, not by each."""
    worker = getattr(session.config, "workerinput", None)
    if worker is None or session.config.args != session.config.getini("testpaths"):
        return
    place, of = int(worker["workerid"].removeprefix("gw")), worker["workercount"]
    root = Path(__file__).parents[1]
    for path in sorted(Path(__file__).parent.rglob("test_*.py"))[place::of]:
        importlib.import_module(".".join(path.relative_to(root).with_suffix("").parts))


def pytest_collection_finish() -> None:
    """What is loaded by now stays: it is no garbage, and need not be looked through again and again.

    Young objects are looked through less often too (measured: 5 % of the processor).
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Folders of long tests first; within a folder everything stays in its order."""
    items.sort(key=lambda item: next((i for i, start in enumerate(LONG) if item.nodeid.startswith(start)), len(LONG)))


@cache
def looks_at_the_demo(file: str) -> bool:
    """Whether a test of this file asks for the running demo or for the browser."""
    text = (Path(__file__).parents[1] / file).read_text(encoding="utf-8")
    return file.startswith(LONG[0]) and ("mill: Mill" in text or "browser: Browser" in text)


class ByFile(LoadFileScheduling):
    """A file is for one worker, and so are the files that look at the page of one running demo."""

    def _split_scope(self, nodeid: str) -> str:
        file: str = super()._split_scope(nodeid)
        return LONG[0] if looks_at_the_demo(file) else file


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> ByFile:
    """Takes the place of what --dist would choose."""
    return ByFile(config, log)
