"""What can be chosen follows from the plan, and energies count along its arrows."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.energy.energy_items import (
    SITE_FIGURES,
    ItemKind,
    board_items,
    counted_twice,
    figures_of,
    pattern_items,
    point_items,
    site_items,
    tenant_items,
)
from meterd.core.energy.other_columns import OtherColumns
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import HOUR_MS, Period
from meterd.core.model.plan import Point, Role
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.register_line import Ints
from tests.example_plans import example

CONFIG = Path(__file__).parents[3] / "config"
MILL = example("harrow-mill")
SMALL = example("small.toml")
BEGIN_MS = 1_777_888_800_000
QUARTER_MS = 900_000


def test_harrow_mill_offers_its_parts() -> None:
    """Boards, tenants, the row of studios as one, and every point that counts."""
    assert [item.key for item in board_items(MILL)] == ["board:north", "board:south"]
    tenants = {item.name: item.points for item in tenant_items(MILL)}
    assert tenants["Bakery"] == ("bakery-ovens", "bakery-proving", "bakery-boiler")
    (studios,) = pattern_items(MILL)
    assert (studios.key, len(studios.points)) == ("pattern:studio", 47)  # studio 48 is not live
    assert [item.name for item in site_items(MILL)] == list(SITE_FIGURES)
    assert all(MILL.point(item.name).counts for item in point_items(MILL))


def test_a_point_below_another_of_the_same_tenant_is_counted_once() -> None:
    """The upper meter has it already."""
    upper, lower = SMALL.points[2], SMALL.points[3]
    points = (replace(upper, tenant="Joiner"), replace(lower, tenant="Joiner", below=upper.name, role=Role.SUB))
    site = replace(SMALL, points=points)
    (item,) = tenant_items(site)
    assert item.points == (upper.name,)


@pytest.mark.parametrize(
    ("keys", "twice"),
    [
        (["point:cold-store", "point:heat-pump"], False),
        (["point:t1", "point:t2", "point:pv-hall"], False),  # the feed sides together
        (["point:t1", "point:climbing-hall"], False),  # of another board
        (["board:north", "board:south"], False),
        (["tenant:Bakery", "tenant:Laundry"], False),
        (["board:north", "point:climbing-hall"], False),
        (["site:consumption"], False),
        (["point:t1", "point:cold-store"], True),  # a feed and a feeder of its board
        (["board:north", "point:cold-store"], True),
        (["board:north", "point:t1"], True),
        (["point:riser-east", "pattern:studio"], True),  # a feeder and what hangs below it
        (["tenant:Bakery", "point:bakery-ovens"], True),
        (["site:consumption", "site:grid_import"], True),
        (["site:grid_export", "point:cold-store"], True),
    ],
)
def test_energies_that_contain_each_other_have_no_sum(keys: list[str], twice: bool) -> None:
    """Found on the page: consumption, import and PV of a site were added up."""
    every = [*point_items(MILL), *board_items(MILL), *tenant_items(MILL), *pattern_items(MILL), *site_items(MILL)]
    chosen = [item for item in every if item.key in keys]
    assert len(chosen) == len(keys)
    assert counted_twice(MILL, chosen) is twice


def test_a_board_that_is_fed_by_another_is_in_it() -> None:
    """Its feed side has passed the feeder of the upper one."""
    south = replace(MILL.boards[1], fed_by="cold-store")
    site = replace(MILL, boards=(MILL.boards[0], south))
    boards = board_items(site)
    climbing = [item for item in point_items(site) if item.name in ("cold-store", "climbing-hall")]
    assert counted_twice(site, boards)
    assert counted_twice(site, climbing)


def test_a_site_without_pv_sums_its_feeds() -> None:
    """What cannot be made is not offered; export counts below zero only in the consumption."""
    site = replace(SMALL, points=tuple(p for p in SMALL.points if p.role is not Role.PV))
    items = {item.name: item for item in site_items(site)}
    (feed,) = [p.name for p in site.points if p.role is Role.FEED]
    assert list(items) == ["consumption", "grid_import", "grid_export"]
    assert (items["consumption"].channels, items["consumption"].signs) == (((feed, IMPORT), (feed, EXPORT)), (1, -1))
    assert (items["grid_export"].channels, items["grid_export"].signs) == (((feed, EXPORT),), (1,))


def test_a_point_that_is_not_read_cannot_be_chosen() -> None:
    """It has no figures."""
    site = replace(SMALL, points=(*SMALL.points, Point("spare", SMALL.boards[0].name, Role.FEEDER)))
    assert "spare" not in [item.name for item in point_items(site)]


def test_figures_come_from_the_store(tmp_path: Path) -> None:
    """One hour: each point, the board and the site, as they were counted."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, SMALL, ZoneInfo(SMALL.zone))
    for quarter in range(6):
        at = BEGIN_MS + quarter * QUARTER_MS
        rows = [
            Reading(p.name, register, at, quarter * wh * 1000, at)
            for p in SMALL.points
            for register, wh in ((IMPORT, 1000 if p.role is Role.FEED else 200), (EXPORT, 50))
        ]
        ledger.tick(rows, at + 61_000)
    starts = np.array([BEGIN_MS, BEGIN_MS - QUARTER_MS], dtype=np.int64)
    starts.sort()
    both = {(row.point, row.register) for row in SMALL.inputs}
    for item in point_items(SMALL):
        figures = figures_of(store, item, Period.INTERVAL, starts)
        first = 1_000_000 if SMALL.point(item.name).role is Role.FEED else 200_000
        assert figures.present[:, 0].tolist() == [False, True]
        assert int(figures.energy[1, 0]) == first - (50_000 if (item.name, EXPORT) in both else 0)
    (board,) = board_items(SMALL)
    row = store.balances(board.name, Period.HOUR, BEGIN_MS, BEGIN_MS + 1)[0]
    assert int(figures_of(store, board, Period.HOUR, np.array([BEGIN_MS])).energy[0, 0]) == row.feed
    pv = store.pv(Period.HOUR, BEGIN_MS, BEGIN_MS + 1)[0]
    for item in site_items(SMALL):
        assert item.kind is ItemKind.SITE
        value = pv.consumed if item.name == "consumption" else getattr(pv, item.name)
        figures = figures_of(store, item, Period.HOUR, np.array([BEGIN_MS]))
        assert (int(figures.energy[0, 0]) if figures.present[0, 0] else None) == value
    assert figures_of(store, board, Period.HOUR, np.zeros(0, dtype=np.int64)).energy.shape == (0, 1)
    store.close()


class Counting(OtherColumns):
    """Counts the rows that were read."""

    count = 0

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """No register is asked for."""
        raise NotImplementedError

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """As stored."""
        rows = super().pv(period, from_ms, until_ms)
        self.count += len(rows)
        return rows

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """As stored."""
        rows = super().balances(board, period, from_ms, until_ms)
        self.count += len(rows)
        return rows


def test_what_lies_between_two_ends_is_not_read(tmp_path: Path) -> None:
    """Found on the page: the sum of a year took 0.1 s, as every quarter hour between its first and last hour was read."""
    store, site = SqliteStore.writer(tmp_path / "s.sqlite"), SMALL
    starts = [BEGIN_MS + hour * HOUR_MS for hour in range(100)]
    pv = [
        PvRow(Period.HOUR, at, at + HOUR_MS, i, 1, 2, 3, 4 if i else None, estimated=False)
        for i, at in enumerate(starts)
    ]
    (board,) = board_items(site)
    balances = [
        BalanceRow(board.name, Period.HOUR, at, at + HOUR_MS, i * 7, 0, 0, 0, "inside", estimated=i == 99)
        for i, at in enumerate(starts)
    ]
    with store.transaction():
        store.write_pv(pv, now_ms=0, reason="")
        store.write_balances(balances, now_ms=0, reason="")
    stored, asked = Counting(store), np.array([starts[i] for i in (0, 1, 98, 99)])
    items = {item.name: item for item in site_items(site)}
    assert figures_of(stored, items["production"], Period.HOUR, asked).energy[:, 0].tolist() == [0, 1, 98, 99]
    assert figures_of(stored, items["consumption"], Period.HOUR, asked).present[:, 0].tolist() == [False] + [True] * 3
    assert stored.count == 8
    feeds = figures_of(stored, board, Period.HOUR, asked)
    assert feeds.energy[:, 0].tolist() == [0, 7, 686, 693]
    assert (feeds.flags[:, 0] != 0).tolist() == [False] * 3 + [True]
    assert stored.count == 12
    store.close()
