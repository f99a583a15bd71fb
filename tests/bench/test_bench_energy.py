"""The page of energies over 400 days of 100 points: how long each picture takes on the server."""

import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import served
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.periods import DAY_MS, Period, bounds
from meterd.core.model.plan import Board, Input, Page, Point, Role, Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.model.tariff import Price, PriceKind, times_in
from meterd.core.registers.register_line import Ints
from tests.bench.table import Line, percentile

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
POINTS = 100
ZONE = ZoneInfo("Europe/Vienna")
DAY = times_in("mon-fri 06:00-22:00")
TARIFF = (
    Price("day", PriceKind.IMPORT, Fraction("0.219"), times=DAY),
    Price("night", PriceKind.IMPORT, Fraction("0.174"), not_times=DAY),
    Price("demand", PriceKind.DEMAND, Fraction("9.8")),
    Price("CO2", PriceKind.CARBON, Fraction(380)),
)
END_MS = bounds(Period.DAY, 1_777_888_800_000, ZONE, 900_000)[0]
STEP_MS = 900_000


def site() -> Site:
    """A board with a feed and a hundred feeders."""
    names = [f"q{number:03}" for number in range(POINTS)]
    points = [Point("t1", "main", Role.FEED), *(Point(name, "main", Role.FEEDER) for name in names)]
    inputs = tuple(Input(point.name, IMPORT, "s", point.name) for point in points)
    return Site(
        "bench",
        ZONE.key,
        boards=(Board("main"),),
        points=tuple(points),
        inputs=inputs,
        page=Page(port=free_port()),
        tariff=TARIFF,
    )


EVERY = "t1"  # the point of which every interval is stored, for its costs
INTERVAL_DAYS = 30  # of which intervals are stored too, and the first day: pictures of long ranges do not read them


def grids(days: int) -> dict[Period, tuple[Ints, Ints]]:
    """For each period its starts, and the row of the first interval of each."""
    starts = np.arange(END_MS - days * DAY_MS, END_MS, STEP_MS)
    results = {}
    for period in Period:
        lows = sorted(
            {bounds(period, at, ZONE, STEP_MS)[0] for at in starts[:: 1 if period == "interval" else 4].tolist()}
        )
        rows = np.unique(np.searchsorted(starts, np.array(lows)))
        results[period] = np.array(lows), rows
    return results


def figures(channel: tuple[str, str], periods: dict[Period, tuple[Ints, Ints]], seed: int) -> Iterator[FigureRow]:
    """Whole periods of a register of which every interval is known."""
    count = len(periods[Period.INTERVAL][0])
    energy = np.random.default_rng(seed).integers(100_000, 2_000_000, count)
    for period, (lows, rows) in periods.items():
        sums = np.add.reduceat(energy, rows)
        for i, (start, value) in enumerate(zip(lows.tolist(), sums.tolist(), strict=True)):
            if channel[0] == EVERY or period != "interval" or i < 96 or i >= count - 96 * INTERVAL_DAYS:
                yield FigureRow(channel, period, start, value, 0)


@pytest.fixture(scope="module")
def address(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page over a store of 400 days, of 20 in the short form."""
    periods = grids(400 if request.config.option.markexpr == "bench" else 20)
    path: Path = tmp_path_factory.mktemp("energy") / "s.sqlite"
    plan = site()
    store = SqliteStore.writer(path)
    ledger = Ledger(store, plan, ZONE)
    ledger.tick([], END_MS + 61_000)
    with store.transaction():
        for number, item in enumerate(plan.inputs):
            store.write_figures(figures((item.point, IMPORT), periods, number), now_ms=END_MS, reason="closed")
    daemon = Daemon(plan, path)
    daemon.snapshot = live.snapshot(ledger.state, END_MS + 61_000, closed={}, pv_day=None, findings=())
    store.close()
    with served(daemon) as result:
        assert result, "the page could not be served"
        yield result.rstrip("/")


PICTURES = {
    "stacked, 100 feeders, by day": "range=all&picture=stacked",
    "bars, 100 feeders, by month": "range=all&picture=bars",
    "lines, last week by hour": "range=last-week&picture=lines",
    "duration, 100 feeders": "range=all&picture=duration",
    "hours by days, 1 feeder": "range=all&picture=heat&of=point:q003",
    "energy flow": "range=all&picture=flow",
    "costs, 100 feeders: the bill": "range=all&picture=cost",
}


@pytest.mark.parametrize("name", PICTURES)
def test_first_picture(full: bool, report: list[Line], address: str, name: str) -> None:
    """The median of five answers; the first of a fresh connection among them."""
    took, worked, size = [], [], 0
    for _ in range(5):
        begun, processor = time.perf_counter(), time.process_time()
        answer = httpx.get(f"{address}/energy?{PICTURES[name]}", timeout=60)
        took.append(time.perf_counter() - begun)
        worked.append(time.process_time() - processor)
        assert answer.status_code == 200, answer.text[:300]
        assert ('<table class="bill"' if "cost" in PICTURES[name] else '<svg class="picture') in answer.text
        size = len(answer.content)
    median, least = 1000 * percentile(took, 0.5), 1000 * percentile(worked, 0.5)
    message = f"{least:.0f} ms of a core; {size // 1000} kB"
    report.append(Line("energy", name, message, aim="< 300 ms", note=f"{median:.0f} ms by the clock, client included"))
    if full:
        assert least < 600
