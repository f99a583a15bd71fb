"""What can be chosen follows from the plan, and energies count along its arrows."""

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
from meterd.core.model.periods import Period
from meterd.core.model.plan import Point, Role
from meterd.core.model.reading import EXPORT, IMPORT, Reading
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
