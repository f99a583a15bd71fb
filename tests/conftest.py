"""Zone rules come from the pinned package in every test, so that a machine with old rules gives the same answers."""

import compileall
import gc
import importlib
import os
import sys
import zoneinfo
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

from tests.order import places, unit_of
from tests.thorough import is_thorough

zoneinfo.reset_tzpath(to=[])
# how long an example takes says more about what else the machine does than about the example
settings.register_profile("meterd", deadline=None)
settings.load_profile("meterd")

# daemons and commands start again and again: they need not compile us each time, nor each worker the tests
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # a second of processor in each worker where it is set
# the workers are busy as it is; a thread of BLAS that waits for small matrices takes a core (measured: three times as much)
os.environ["OPENBLAS_NUM_THREADS"] = "1"


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


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--thorough`."""
    parser.addoption("--thorough", action="store_true", help="run what a whole run leaves out (tests/thorough.py)")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """By the place of their unit; within a unit everything stays in its order. A whole run leaves out what is thorough."""
    if config.args == config.getini("testpaths"):
        wanted = bool(config.option.thorough)
        config.hook.pytest_deselected(items=[item for item in items if is_thorough(item.nodeid) != wanted])
        items[:] = [item for item in items if is_thorough(item.nodeid) == wanted]
    place = places(item.nodeid for item in items)
    items.sort(key=lambda item: (place[unit := unit_of(item.nodeid)], unit))


class ByUnit(LoadFileScheduling):
    """A unit is for one worker."""

    def _split_scope(self, nodeid: str) -> str:
        return unit_of(nodeid)


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> ByUnit:
    """Takes the place of what --dist would choose."""
    return ByUnit(config, log)
