"""Netting over two lengths: identities that hold for any figures, and rows that are missing."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.periods import HOUR_MS, Period
from meterd.core.model.results import PvRow
from meterd.core.pv.netting import counted, netted, two_nettings

QUARTER = 900_000
ENERGY = st.integers(0, 10**9)


def row(at: int, production: int | None, imported: int | None, exported: int | None) -> PvRow:
    """One interval."""
    return PvRow(Period.INTERVAL, at, at + QUARTER, production, imported, exported, None, None, False)


ROWS = st.lists(st.tuples(ENERGY, ENERGY, ENERGY), min_size=4, max_size=96).map(
    lambda some: [row(i * QUARTER, *item) for i, item in enumerate(some[: len(some) // 4 * 4])]
)


@given(ROWS)
def test_longer_netting_never_shows_more_export_or_import(rows: list[PvRow]) -> None:
    """Cancelling only takes away; production stays, and import less export stays."""
    short, long = two_nettings(rows, QUARTER)
    assert long.export <= short.export
    assert long.grid_import <= short.grid_import
    assert long.production == short.production
    assert long.grid_import - long.export == short.grid_import - short.export


@given(ROWS)
def test_as_counted_shows_at_least_the_export_and_import_of_any_netting(rows: list[PvRow]) -> None:
    """Netting only takes away; what the meters counted is the plain sum of the rows."""
    rows = [
        replace(item, self_use=(item.production or 0) - min(item.production or 0, item.grid_export or 0))
        for item in rows
    ]
    books, (short, _) = counted(rows), two_nettings(rows, QUARTER)
    assert books.export == sum(item.grid_export or 0 for item in rows) >= short.export
    assert books.grid_import == sum(item.grid_import or 0 for item in rows) >= short.grid_import
    assert (books.production, books.known) == (short.production, short.known)
    assert books.self_use <= short.self_use


@given(ROWS)
def test_longer_netting_never_shows_less_self_use(rows: list[PvRow]) -> None:
    """As long as no more goes out than PV gives (no storage, no backup that feeds back)."""
    rows = [row(r.start_ms, r.production, r.grid_import, min(r.grid_export or 0, r.production or 0)) for r in rows]
    short, long = two_nettings(rows, QUARTER)
    assert long.self_use >= short.self_use


@given(ROWS)
def test_production_is_used_or_exported(rows: list[PvRow]) -> None:
    """Export beyond production comes from elsewhere (storage, backup) and is no PV."""
    for item in two_nettings(rows, QUARTER):
        assert 0 <= item.self_use <= item.production
        assert item.self_use >= item.production - item.export


def test_a_missing_row_takes_its_hour_out_and_is_reported() -> None:
    """Of two hours one has a hole: only the whole one counts, and the count says so."""
    rows = [row(i * QUARTER, 100, 0, 40) for i in range(8)]
    rows[5] = row(5 * QUARTER, None, 0, 40)
    quarter, hour = two_nettings(rows, QUARTER)
    assert (quarter.known, quarter.of, quarter.production) == (7, 8, 700)
    assert (hour.known, hour.of, hour.production) == (1, 2, 400)
    assert two_nettings([*rows[:5], *rows[6:]], QUARTER)[1].known == 1


def test_nothing_is_undefined_not_zero() -> None:
    """No production has no self-consumption."""
    item = netted([row(0, 0, 5, 0)], QUARTER)
    assert item.self_consumption is None
    assert item.self_sufficiency == 0
    assert netted([], HOUR_MS).self_sufficiency is None
