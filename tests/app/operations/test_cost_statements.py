"""What the stored figures give an allocation: pots of boards and of points, residuals, estimates, what is missing."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.cost_statements import added, channels_of, statements
from meterd.app.operations.queries import Span
from meterd.app.operations.report_data import period_of
from meterd.core.model.periods import Period
from meterd.core.model.plan import Allocation, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, FigureRow
from meterd.core.registers.register_line import Flag
from meterd.core.reports.cost_allocation import MeteredEnergy
from tests.adapters.documents.month import PLAN

KWH = 1_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """An empty store."""
    result = SqliteStore.writer(tmp_path / "hof.sqlite")
    yield result
    result.close()


def site_with(tmp_path: Path, *rules: Allocation) -> Site:
    """The small site with other allocations."""
    path = tmp_path / "hof.toml"
    path.write_text(PLAN, encoding="utf-8")
    return replace(load_plan(path).site, allocations=rules)


def keep(store: SqliteStore, start: int, period: Period = Period.MONTH, *, flags: int = 0, **kwh: int) -> None:
    """Keep imports of a period in kWh."""
    rows = [
        FigureRow((name.replace("_", "-"), IMPORT), period, start, value * KWH, flags) for name, value in kwh.items()
    ]
    with store.transaction():
        store.write_figures(rows, now_ms=start, reason="closed")


def lines(store: SqliteStore, site: Site, text: str = "2026-03") -> list[dict[str, int]]:
    """Wh by line of every statement; {"missing": ...} as names where it could not be computed."""
    period = Period.MONTH if len(text) == 7 else Period.YEAR
    results = statements(store, site, period, Span(*period_of(text, period, site)))
    return [
        {line.name or line.kind: line.wh for line in made.lines} or dict.fromkeys(made.missing, -1) for made in results
    ]


def start_of(site: Site, text: str) -> int:
    """Begin of a month or year."""
    return period_of(text, Period.MONTH if len(text) == 7 else Period.YEAR, site)[0]


def test_points_without_anything_measured_below_are_divided_whole(tmp_path: Path, store: SqliteStore) -> None:
    """Stairs: no residual can be known."""
    site = site_with(tmp_path, Allocation("a", points=("stairs",), basis="fixed", weights=(("x", 1),)))
    keep(store, start_of(site, "2026-03"), stairs=7)
    assert lines(store, site) == [{"x": 7000, "residual": 0}]


def test_points_with_all_measured_below_have_a_residual(tmp_path: Path, store: SqliteStore) -> None:
    """The riser less its rooms stands alone; the rooms' tenants share what was counted."""
    site = site_with(tmp_path, Allocation("a", points=("riser",), basis="use", tenants=("Gast",)))
    keep(store, start_of(site, "2026-03"), riser=10, room_1=6, room_2=3, bakery=1, shop=1)
    assert lines(store, site) == [{"Gast": 9000, "residual": 1000}]


def test_source_below_a_feeder_adds_to_what_its_rooms_had(tmp_path: Path, store: SqliteStore) -> None:
    """Riser 10 and its PV 4 are 14 for the rooms, which counted 13: residual 1."""
    site = site_with(tmp_path, Allocation("a", points=("riser",), basis="fixed", weights=(("x", 1),)))
    site = replace(site, points=(*site.points, Point("panel", "main", Role.PV, below="riser")))
    keep(store, start_of(site, "2026-03"), riser=10, panel=4, room_1=9, room_2=4)
    assert lines(store, site) == [{"x": 9000, "residual": 1000}]


def test_board_takes_feed_and_residual_from_its_balance(tmp_path: Path, store: SqliteStore) -> None:
    """The same figures as on the balance page; use counts only from points of that board."""
    site = site_with(tmp_path, Allocation("a", board="main", basis="use"))
    start = start_of(site, "2026-03")
    keep(store, start, bakery=3, shop=1, room_1=0)
    with store.transaction():
        row = BalanceRow("main", Period.MONTH, start, start + 1, 10 * KWH, 8 * KWH, 2 * KWH, KWH, "inside", False)
        store.write_balances([row], now_ms=start, reason="closed")
    assert lines(store, site) == [{"Bäckerei Öztürk": 6000, "Laden": 2000, "Gast": 0, "residual": 2000}]


def test_missing_balance_or_point_is_named(tmp_path: Path, store: SqliteStore) -> None:
    """Nothing is divided, and the statement says for want of what."""
    site = site_with(
        tmp_path,
        Allocation("a", board="main", basis="area", areas=(("x", Fraction(1)),)),
        Allocation("b", points=("stairs",), basis="use"),
    )
    keep(store, start_of(site, "2026-03"), bakery=3, shop=1)
    assert lines(store, site) == [{"main": -1}, {"stairs": -1, "room-1": -1}]


def test_year_per_month_is_the_sum_and_per_year_stands_for_itself(tmp_path: Path, store: SqliteStore) -> None:
    """Use of 1:1 in one month and 3:1 in the other: month by month 2+3 of 4+4, over the year 4:2 of 8."""
    common = {"points": ("stairs",), "basis": "use", "tenants": ("Laden", "Gast")}
    site = site_with(tmp_path, Allocation("m", **common), Allocation("y", per="year", **common))  # type: ignore[arg-type]
    for month in range(1, 13):
        start = start_of(site, f"2026-{month:02d}")
        odd = month % 2
        keep(store, start, stairs=4, shop=3 if odd else 1, room_1=1, bakery=0)
    keep(store, start_of(site, "2026"), Period.YEAR, stairs=48, shop=24, room_1=12, bakery=0)
    monthly, yearly = lines(store, site, "2026")
    assert monthly == {"Laden": 6 * 3000 + 6 * 2000, "Gast": 6 * 1000 + 6 * 2000, "residual": 0}
    assert yearly == {"Laden": 32_000, "Gast": 16_000, "residual": 0}
    assert len(lines(store, site, "2026-01")) == 1


def test_estimated_begin_of_a_register_marks_its_tenant(tmp_path: Path, store: SqliteStore) -> None:
    """The flag of the month comes through to the line."""
    site = site_with(tmp_path, Allocation("a", points=("stairs",), basis="use", tenants=("Laden",)))
    start = start_of(site, "2026-03")
    keep(store, start, stairs=4, bakery=1, room_1=1)
    keep(store, start, flags=Flag.START, shop=1)
    (made,) = statements(store, site, Period.MONTH, Span(*period_of("2026-03", Period.MONTH, site)))
    assert [(line.name, line.estimated) for line in made.lines] == [("Laden", True), ("", False)]


def test_sum_names_all_that_miss() -> None:
    """And takes signs."""
    assert added([MeteredEnergy(5), MeteredEnergy(2)], (1, -1)) == MeteredEnergy(3)
    assert added(
        [MeteredEnergy(None, missing=("a",)), MeteredEnergy(1), MeteredEnergy(None, missing=("b",))]
    ).missing == ("a", "b")


def test_channels_are_all_registers_of_energy_that_are_read(tmp_path: Path) -> None:
    """Export only where it is read; no power."""
    results = channels_of(site_with(tmp_path))
    assert ("t1", EXPORT) in results
    assert ("bakery", EXPORT) not in results
    assert {register for _, register in results} == {IMPORT, EXPORT}
