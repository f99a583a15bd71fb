"""A history of many sites: with one worker and with two, against a plain loop over the same pieces of work.

Beside it what the engine alone gains with two workers for work as long on files of the same archive: the bound of ours,
and what two plain processes gain: the bound of the machine.

A year of one small site is archived once and copied under other names. METERD_BENCH_SITES: how many; 24 unless
given. The short form that runs here has two sites and two months.
"""

import json
import os
import shutil
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import product
from multiprocessing import get_context
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import psutil
import pytest

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.cluster.workers import Spread, workers
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from meterd.app.operations.history import Place, PlanFile, Question, ask
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import DAY_MS
from tests.bench import bare_history
from tests.bench.table import Line
from tests.faults.mill import CHANNELS, write_plan

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(3000)]

YEAR = 1_767_222_000_000  # 2026 in Vienna
EVERY_MS = 300_000
SITES = int(os.environ.get("METERD_BENCH_SITES", "24"))


def archive(folder: Path, names: Sequence[str], months: int) -> tuple[Path, Place]:
    """The plan of a mill, and an archive of its months under each of the names."""
    file = write_plan(folder, 1883)
    plan, path = load_plan(file), folder / "s.sqlite"
    until = YEAR + (366 if months == 12 else 60) * DAY_MS
    times = np.arange(YEAR, until + EVERY_MS, EVERY_MS, dtype=np.int64)
    draw = np.random.default_rng(4)
    store = SqliteStore.writer(path)
    ledger = Ledger(store, plan.site, ZoneInfo(plan.site.zone))
    for channel in CHANNELS:
        ledger.import_history(channel, times, np.cumsum(draw.integers(0, 500_000, len(times))), until)
    ledger.recompute_all(until, until)
    store.close()
    place = folder / "archive"
    archive_months(plan, path, ArchiveTarget(str(place)), until)
    for name in names[1:]:
        shutil.copytree(place / "site=mill", place / f"site={name}")
        for month in (place / f"site={name}" / "table=month").rglob("*.json"):
            values = json.loads(month.read_text(encoding="utf-8")) | {"site": name}
            month.write_text(json.dumps(values), encoding="utf-8")
    return file, Place(str(place), Login())


@dataclass(frozen=True, slots=True)
class Measured:
    """What was answered, seconds by the clock, seconds of processor of all processes, and of the one that had most.

    The last is how long it takes where nothing else runs.
    """

    lines: list[object]
    took_s: float
    cpu_s: float
    longest_s: float


def cpus() -> dict[int, float]:
    """Processor time of this process and of all that it has begun."""
    me = psutil.Process()
    return {process.pid: sum(process.cpu_times()[:2]) for process in (me, *me.children(recursive=True))}


def timed(work: Callable[[], list[object]]) -> Measured:
    """What a piece of work gives and takes."""
    begun, before = time.monotonic(), cpus()
    lines = work()
    used = [seconds - before.get(pid, 0.0) for pid, seconds in cpus().items()]
    return Measured(lines, time.monotonic() - begun, sum(used), max(used))


def quickest(work: Callable[[], list[object]]) -> Measured:
    """Of three times the one that took the least processor: the others had more of other work beside them."""
    return min((timed(work) for _ in range(3)), key=lambda item: item.longest_s)


def balances(where: Place, names: Sequence[str], plans: dict[str, PlanFile], spread: Spread) -> list[object]:
    """The balances of all sites."""
    answers = list(ask([where], names, Question("balance"), spread, plans=plans))
    assert [text for answer in answers for text in answer.troubles] == []
    return [line for answer in answers for line in answer.lines]


def measure(where: Place, names: Sequence[str], plans: dict[str, PlanFile], spread: Spread) -> Measured:
    """The balances of all sites, without the start of the workers."""
    first = Question("balance", until="2026-03")  # all workers have loaded their libraries then
    list(ask([where], names[:8], first, spread, plans=plans))
    return quickest(lambda: balances(where, names, plans, spread))


# kind of figures: the table that is read most for them, and how many of its files are a task
READ = {"as archived": ("balance", 12), "by a plan": ("readings", 6)}


def bounds(archive: Path, alone: dict[str, Measured]) -> dict[tuple[str, str], tuple[Measured, Measured]]:
    """For each kind work as long on files of the same table without meterd: a loop, and with two workers.

    By the engine alone, and by two plain processes, which is all that the machine can give.
    """
    pieces = {
        kind: bare_history.as_long_as(bare_history.files_of(archive, *READ[kind]), measured.longest_s)
        for kind, measured in alone.items()
    }
    results = {}
    loop = {kind: quickest(partial(bare_history.in_turn, some)) for kind, some in pieces.items()}
    with bare_history.engine(2) as client, ProcessPoolExecutor(2, get_context("spawn")) as pool:
        ways = {
            "the engine alone": partial(bare_history.spread, client),
            "two plain processes": partial(bare_history.halves, pool),
        }
        for (whose, way), (kind, some) in product(ways.items(), pieces.items()):
            way(some)  # all workers have loaded their libraries then
            both = quickest(partial(way, some))
            assert both.lines == loop[kind].lines
            results[whose, kind] = loop[kind], both
    return results


def test_history(tmp_path: Path, full: bool, report: list[Line], monkeypatch: pytest.MonkeyPatch) -> None:
    """The same lines; what two workers gain, and what the engine can give at all."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    sites, months = (SITES, 12) if full else (2, 2)
    names = ["mill", *(f"mill-{number}" for number in range(1, sites))]
    file, where = archive(tmp_path, names, months)
    plan = PlanFile(str(file), load_plan(file).fingerprint)
    kinds: dict[str, dict[str, PlanFile]] = {"as archived": {}, "by a plan": dict.fromkeys(names, plan)}
    with workers(1) as here:
        alone = {kind: measure(where, names, plans, here) for kind, plans in kinds.items()}
    with workers(2) as two:
        both = {kind: measure(where, names, plans, two) for kind, plans in kinds.items()}
    pairs = {("meterd", kind): (alone[kind], both[kind]) for kind in kinds}
    for item, two_workers in pairs.values():
        assert len(item.lines) == sites * months
        assert two_workers.lines == item.lines
    for (whose, kind), (loop, spread) in {**pairs, **bounds(Path(where.url), alone)}.items():
        note = f"{sites} sites x {months} months; by the clock {spread.took_s:.1f} s, loop {loop.took_s:.1f} s"
        measured = f"balances {kind}, {whose}, 2 workers: processor; of the busiest process"
        shared, in_turn = (f"{m.cpu_s:.2f}; {m.longest_s:.2f} s" for m in (spread, loop))
        ratio = spread.longest_s / max(loop.longest_s, 0.01)  # the clock of a process counts hundredths
        report.append(Line("history", measured, shared, in_turn, ratio, aim="<= 0.59", note=note))
