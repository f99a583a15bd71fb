"""The rows of an exchange, what usually flows while no meter is fitted, and what readings say against it."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.operations.meter_exchange import (
    cells_of,
    closed_cells,
    estimated_gap,
    fitted,
    inconsistencies_of,
    new_cells,
    stamp,
    written,
)
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.registers.meter_exchange import ExchangeEntry
from tests.app.small_plant import DAY, HOUR, MAY, MINUTE, STEP, filled, plan

OUT = MAY + 2 * DAY - HOUR
COUNTED = 50_000 + 500 * ((OUT - MAY) // STEP)  # Wh that the meter of q02 shows then
ENTRY = ExchangeEntry("q02", OUT, OUT, {IMPORT: COUNTED * 1000}, {IMPORT: 12_500_000}, "B-2", "Ada", "", {})


def exchanged(site: Site, entry: ExchangeEntry) -> Site:
    """The plan with both meters."""
    old = fitted(site, entry.point)
    closed = replace(old, until_ms=entry.out_ms, closing=tuple(entry.closing.items()))
    new = replace(old, from_ms=entry.in_ms, opening=tuple(entry.opening.items()))
    return replace(site, instruments=(*(i for i in site.instruments if i is not old), closed, new))


def test_the_new_meter_has_what_is_not_said_from_the_old_one(tmp_path: Path) -> None:
    """Class and register as before, serial and readings its own; empty cells are left out."""
    site = load_plan(plan(tmp_path)).site
    entry = replace(ENTRY, new={"meter_class": "C"}, note="verified until 2034")
    assert new_cells(site, entry, {}) == {
        "point": "q02",
        "from": "2026-05-05T23:00+02:00",
        "serial": "B-2",
        "meter_class": "C",
        "register_max_wh": "1000000000",
        "resolution_wh": "1",
        "opening_wh": "12500",
        "note": "verified until 2034",
    }
    assert closed_cells(site, entry) == {"until": "2026-05-05T23:00+02:00", "closing_wh": str(COUNTED)}
    assert cells_of(fitted(site, "q01"))["note"] == "bakery, left cabinet"


def test_a_point_without_a_meter_that_is_still_there_is_refused(tmp_path: Path) -> None:
    """Neither a point of another name nor one whose last meter was taken out."""
    site = load_plan(plan(tmp_path)).site
    gone = replace(site, instruments=tuple(replace(i, until_ms=OUT) for i in site.instruments))
    for other, point in ((site, "q09"), (gone, "q02")):
        with pytest.raises(ConfigError, match=f"no instrument at {point} that is still there"):
            fitted(other, point)


def test_registers_are_written_as_the_plan_reads_them() -> None:
    """A number for import alone, pairs for others; a fraction is exact and large numbers have no exponent."""
    assert written({IMPORT: 10_000_000_000_000}) == "10000000000"
    assert written({IMPORT: 1}) == "0.001"
    assert written({EXPORT: 5_500}) == "2.8.0=5.5"
    assert written({}) == ""


def test_a_moment_has_seconds_only_where_it_needs_them() -> None:
    """And the offset of its season."""
    zone = ZoneInfo("Europe/Vienna")
    assert stamp(OUT, zone) == "2026-05-05T23:00+02:00"
    assert stamp(OUT + 1000, zone) == "2026-05-05T23:00:01+02:00"
    assert stamp(OUT - 150 * DAY, zone).endswith("+01:00")


def test_a_gap_is_what_usually_flows_at_that_time_of_day(tmp_path: Path) -> None:
    """Forty minutes of 500 Wh every five; of a register that was never known before nothing can be estimated."""
    made, path = filled(tmp_path)
    site = load_plan(made).site
    later = replace(ENTRY, out_ms=OUT, in_ms=OUT + 40 * MINUTE)
    assert estimated_gap(site, path, later) == {IMPORT: 8 * 500_000}
    with pytest.raises(ConfigError, match="export: no whole day before is known"):
        estimated_gap(site, path, replace(later, closing={**later.closing, EXPORT: 0}))


def test_readings_of_the_store_that_speak_against_it_are_found(tmp_path: Path) -> None:
    """A closing reading below the last one read; the true one is silent, and so is a store that is not there."""
    made, path = filled(tmp_path)
    site = load_plan(made).site
    end = MAY + 2 * DAY
    shown = 50_000 + 500 * ((end - MAY) // STEP)
    true = replace(ENTRY, out_ms=end + 1, in_ms=end + 1, closing={IMPORT: shown * 1000})
    assert inconsistencies_of(exchanged(site, true), path, true) == []
    slip = replace(true, closing={IMPORT: (shown - 100) * 1000})
    (results,) = inconsistencies_of(exchanged(site, slip), path, slip)
    assert results.register == "import"
    assert "import: " in str(results)
    assert inconsistencies_of(exchanged(site, slip), tmp_path / "none.sqlite", slip) == []
