"""Costs by classes of prices are those of the intervals, to the last digit: whatever the tariff, the clock, the gap."""

from dataclasses import replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.aggregation import Parent, children_of
from meterd.core.energy.class_costs import NOT_COUNTED, costs_of, energies_of, price_classes, whole_hours
from meterd.core.energy.cost import PeriodAccount, accounts_of, cost_of, imports_of_points, in_span
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.energy.tariff import local_times
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, floor, starts
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.tariff import WEEKDAYS, Price, PriceKind, times_in
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Flag

QUARTER = 900_000
CHANGES = {  # a day on which the clocks change: an hour back, half an hour back; and a zone of a quarter hour without any
    "Europe/Vienna": 1_792_886_400_000,  # 25 October 2026
    "Australia/Lord_Howe": 1_775_314_800_000,  # 5 April 2026 there
    "Asia/Kathmandu": 1_775_314_800_000,
}
NAMES = ("t1", "oven", "hall", "dark", "late")


def plan(zone: str, tariff: tuple[Price, ...] = ()) -> Site:
    """A feed and four feeders: one with gaps, one that is never read, one that begins in the middle."""
    points = tuple(Point(name, "main", Role.FEED if name == "t1" else Role.FEEDER) for name in NAMES)
    inputs = tuple(Input(name, IMPORT, "s", name) for name in NAMES)
    return Site("mill", zone, boards=(Board("main"),), points=points, inputs=inputs, tariff=tariff)


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[SqliteStore, tuple[int, int]]]:
    """Three weeks of quarter hours and hours around the change, over the end of a month."""
    results = {}
    for number, (zone, change) in enumerate(CHANGES.items()):
        span = floor(change - 10 * DAY_MS, QUARTER) + 5 * QUARTER, change + 12 * DAY_MS
        store = SqliteStore.writer(tmp_path_factory.mktemp("costs") / f"{number}.sqlite")
        grid = np.arange(*span, QUARTER)
        random = np.random.default_rng(number)
        with store.transaction():
            for place, name in enumerate(NAMES):
                energy = random.integers(0, 3_000_000 * (place or 20), len(grid))
                present = np.full(len(grid), name != "dark")
                present[: 900 if name == "late" else 0] = False
                if name == "hall":
                    present[random.integers(0, len(grid), 40)] = False
                flags = np.zeros((len(grid), 1), np.uint8)
                flags[1000 if name == "oven" else 0 : 1001 if name == "oven" else 0] = Flag.BOUND
                parts = Columns(np.where(present, energy, 0)[:, None], present[:, None], flags)
                write(store, (name, IMPORT), zone, grid=grid, parts=parts)
        results[zone] = store, span
    return results


def write(store: SqliteStore, channel: tuple[str, str], zone: str, *, grid: np.ndarray, parts: Columns) -> None:
    """Intervals, and their sums of each hour as the daemon makes them."""
    clock = ZoneInfo(zone)
    begins = starts(Period.HOUR, int(grid[0]), int(grid[-1]) - HOUR_MS + QUARTER + 1, clock, QUARTER)
    hours = [Parent(Period.HOUR, *bounds(Period.HOUR, at, clock, QUARTER)) for at in begins]
    children = children_of(hours, Period.INTERVAL, clock, QUARTER)
    low = int(np.searchsorted(grid, children.start_ms[0]))
    rows = slice(low, low + len(children.start_ms))
    sums = roll_up(
        Columns(parts.energy[rows], parts.present[rows], parts.flags[rows]), children.first, children.expected
    )
    pairs = ((Period.INTERVAL, grid, parts), (Period.HOUR, np.array(begins, dtype=np.int64), sums))
    for period, at, own in pairs:
        columns = (own.energy[:, 0], own.present[:, 0], own.flags[:, 0].astype(np.int64))
        store.write_columns(FigureColumns(channel, period, at, *columns), now_ms=int(grid[-1]), reason="closed")


@st.composite
def prices(draw: st.DrawFn) -> Price:
    """Any price of a kWh that is taken, demands and fixed prices among them."""
    kind = draw(
        st.sampled_from([PriceKind.IMPORT, PriceKind.IMPORT, PriceKind.CARBON, PriceKind.DEMAND, PriceKind.FIXED])
    )
    price = Price("p", kind, Fraction(draw(st.integers(-9999, 99_999)), draw(st.sampled_from([1000, 100_000, 7]))))
    clock = st.integers(0, 23 * 4 + 3).map(lambda q: f"{q // 4:02}:{q % 4 * 15:02}")
    ends = draw(st.tuples(clock, clock).filter(lambda pair: pair[0] != pair[1]))
    days = "-".join(draw(st.lists(st.sampled_from(WEEKDAYS), min_size=1, max_size=2)))
    hours = times_in(
        draw(st.sampled_from([f"{days} {ends[0]}-{ends[1]}", f"{ends[0][:3]}00-{(int(ends[0][:2]) + 7) % 24:02}:00"]))
    )
    months = draw(st.sampled_from([(), (), (10, 4), (5, 11)]))
    price = replace(price, months=frozenset(months), **{draw(st.sampled_from(["times", "not_times"])): hours})
    if kind is PriceKind.IMPORT:
        per = draw(st.sampled_from(["month", "month", "year"]))
        most = draw(st.sampled_from([None, Fraction(9000)]))
        price = replace(price, per=per, above_kwh=Fraction(draw(st.sampled_from([0, 400]))), up_to_kwh=most)
    if kind is PriceKind.CARBON and draw(st.booleans()):
        begins = [0, *sorted(draw(st.sets(st.sampled_from(sorted(CHANGES.values())), max_size=2)))]
        price = replace(price, values=tuple((at, Fraction(100 + i)) for i, at in enumerate(begins)))
    return price


@settings(max_examples=15, deadline=None)
@given(
    zone=st.sampled_from(sorted(CHANGES)), tariff=st.lists(prices(), min_size=1, max_size=5),
    cut=st.tuples(st.integers(0, 900), st.integers(1, 2000)), yearly=st.booleans(),
)  # fmt: skip
def test_costs_of_many_are_those_of_the_intervals(
    stores: dict[str, tuple[SqliteStore, tuple[int, int]]],
    zone: str,
    tariff: list[Price],
    cut: tuple[int, int],
    *,
    yearly: bool,
) -> None:
    """Random tariffs with seasons, steps and demands over a change of the clocks, in any span: energy, lines and amounts."""
    (store, history), site = stores[zone], plan(zone, tuple(tariff))
    items = [imports_of_points(name, [name]) for name in NAMES]
    items += [imports_of_points("both", ["oven", "t1"]), imports_of_points("none", [])]
    span = history[0] + cut[0] * QUARTER, history[0] + (cut[0] + cut[1]) * QUARTER
    accounts = accounts_of(store, site, span, history)
    if yearly:
        accounts = [
            PeriodAccount(
                store, site, Period.YEAR, bounds(Period.YEAR, history[0], ZoneInfo(zone), QUARTER)[0], history
            )
        ]
    for account in accounts:
        for rows in (in_span(account, span), None):
            wanted = [cost_of(account, taken, rows) for taken in account.imports_of(items, rows)]
            assert costs_of(account, items, rows) == wanted
        known = energies_of(account, items)
        every = np.ones(len(account.grid), dtype=np.bool_)
        sums = [taken.sum(every) for taken in account.imports_of(items)]
        assert [own in (None, whole) for own, whole in zip(known, sums, strict=True)] == [True] * len(items)
        assert account.part is not None
        assert (known[1] is None, known[3]) == (False, None)


def test_few_figures_are_read(stores: dict[str, tuple[SqliteStore, tuple[int, int]]]) -> None:
    """With prices that change on the hour all is read by the hour, but the quarter hours at the ends."""
    store, history = stores["Europe/Vienna"]
    day = times_in("mon-fri 06:00-22:00")
    tariff = (
        Price("d", PriceKind.IMPORT, Fraction(1), times=day),
        Price("n", PriceKind.IMPORT, Fraction(1), not_times=day),
    )
    account = accounts_of(store, plan("Europe/Vienna", tariff), history, history)[0]
    classes = price_classes(account)
    hours, others = whole_hours(account.at, classes.of, QUARTER)
    assert len(classes.first) == 2
    assert len(others) == 3  # the history begins at 15 minutes past
    assert 4 * len(hours) + len(others) == len(account.grid)


def test_hour_with_a_change_of_the_clocks_or_of_prices_is_read_by_intervals() -> None:
    """Lord Howe puts the clocks back by half an hour; a price that changes at half past is no class of a whole hour."""
    grid = np.arange(
        CHANGES["Australia/Lord_Howe"] - 2 * HOUR_MS, CHANGES["Australia/Lord_Howe"] + 2 * HOUR_MS, QUARTER
    )
    at = local_times(grid, ZoneInfo("Australia/Lord_Howe"))
    hours, others = whole_hours(at, np.zeros(len(grid), dtype=np.int64), QUARTER)
    assert {*others.tolist()} >= set(np.flatnonzero(np.diff(at.minute, prepend=at.minute[0] - 15) % 60 != 15).tolist())
    assert 4 * len(hours) + len(others) == len(grid)
    of = np.zeros(len(grid), dtype=np.int64)
    of[int(hours[0]) + 2], of[int(hours[1])] = 1, NOT_COUNTED
    fewer, rest = whole_hours(at, of, QUARTER)
    assert fewer.tolist() == hours.tolist()[2:]
    assert len(rest) == len(others) + 7
