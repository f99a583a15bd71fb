"""The table that compares a period with earlier ones: changes in per cent, missing as a word, nothing without an earlier one."""

from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.documents.model import Number, Table
from meterd.adapters.documents.report_comparison import comparison_blocks
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import Period
from meterd.core.reports.comparison import PeriodFigures
from tests.adapters.documents.written_files import book, made

VIENNA = ZoneInfo("Europe/Vienna")
APRIL, MARCH = 1_775_001_600_000, 1_772_319_600_000


def figures(start: int, imported: int | None, cost: int | None) -> PeriodFigures:
    """A site without PV."""
    return PeriodFigures(start, imported, 0, None, None, None, 5_000.0, cost)


def test_changes_are_in_per_cent_of_the_earlier_period() -> None:
    """Of nothing there is no change; what the site does not have is no row."""
    now, then = figures(APRIL, 1_100_000_000, 123_450), figures(MARCH, 1_000_000_000, None)
    (_, table, _) = comparison_blocks([now, then], Period.MONTH, "EUR", Texts("de"), VIENNA)
    assert isinstance(table, Table)
    assert [column.heading for column in table.columns] == ["Größe", "April 2026", "März 2026", "Änderung [%]"]
    rows = {str(row[0]): row[1:] for row in table.rows}
    assert rows["Bezug aus dem Netz [kWh]"][:2] == (Number(1100.0, 1), Number(1000.0, 1))
    change = rows["Bezug aus dem Netz [kWh]"][2]
    assert isinstance(change, Number)
    assert round(change.value, 6) == 10
    assert rows["Einspeisung ins Netz [kWh]"][2] == "nicht definiert"
    assert rows["Energiekosten nach dem Tarif [EUR]"] == (Number(12.345, 2), "fehlt", "")
    assert not [name for name in rows if "PV" in name]


def test_without_an_earlier_period_there_is_no_table(hof: Path, tmp_path: Path) -> None:
    """March is the first month of the site, April is not over."""
    assert list(comparison_blocks([figures(APRIL, 1, 1)], Period.MONTH, "EUR", Texts("en"), VIENNA)) == []
    for month in ("2026-03", "2026-04"):
        path = made(tmp_path, "report", hof, "--month", month, "--xlsx", tmp_path / "r.xlsx")
        assert not [name for name in book(path) if name.startswith("Compared")]
