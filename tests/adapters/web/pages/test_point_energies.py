"""Energies of one point in the last days: the day that is not over, hours that are missing, and the power factor."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.web.pages.point_energies import DayLine, Recent, chart, days, factor_of, recent
from meterd.adapters.web.request_context import RequestContext
from meterd.core.model.plan import Input, Site
from meterd.core.model.reading import IMPORT, Reading
from tests.adapters.web.request_contexts import BEGIN, LAST, MINUTE, SITE, context_of, steady

HOUR = 60 * MINUTE
NOW = LAST + 61_000
GAP = [minute for minute in range(182) if not 65 <= minute <= 115]  # within the second hour


def asked(context: RequestContext, point: str, site: Site = SITE) -> tuple[Recent, tuple[float | None, str]]:
    """What is known of a point, and its power factor."""
    with context.backend.reader() as reads:
        now = recent(reads, site, point, NOW)
        return now, factor_of(reads, now, point)


def today(now: Recent) -> DayLine:
    """The day that is not over, the newest."""
    return days(now)[0]


def test_the_day_so_far_holds_the_closed_hours(tmp_path: Path) -> None:
    """Three hours of 4 kW; the feeder reads export too, which is zero and not missing."""
    now, _ = asked(context_of(tmp_path / "s.sqlite", steady("q01", 4000.0)), "q01")
    line = today(now)
    assert (line.along_mwh, line.against_mwh) == (12_000_000, 0)
    assert (line.so_far, line.at_least, line.end_ms) == (True, True, LAST), (
        "the readings began in the middle of the day"
    )
    assert (now.totals.along_mwh, now.totals.against_mwh) == (12_000_000, 0)
    assert [(older.along_mwh, older.so_far) for older in days(now)[1:]] == [(None, False)] * 7, (
        "before the first reading"
    )


def test_what_is_not_read_is_missing_and_never_zero(tmp_path: Path) -> None:
    """A feed that reads only import has no export; a room without readings has neither energies nor bars."""
    context = context_of(tmp_path / "s.sqlite", steady("t1", 4000.0))
    now, _ = asked(context, "t1")
    assert (now.totals.along_mwh, now.totals.against_mwh) == (12_000_000, None)
    assert today(now).against_mwh is None
    bars = chart(now)
    assert bars is not None
    assert bars.against == []
    assert [item for item in bars.along if item is not None] == [4.0, 4.0, 4.0]
    assert bars.along[0] is None, "before the first reading"
    assert bars.x == [start // 1000 for start in bars.starts_ms]
    silent, _ = asked(context, "room-1")
    assert (silent.totals.along_mwh, silent.totals.whole) == (None, False)
    stranger, _ = asked(context, "nobody")
    assert chart(stranger) is None
    assert stranger.last_intervals(4)[0] == []


def test_an_hour_that_is_missing_is_neither_guessed_nor_hidden(tmp_path: Path) -> None:
    """Longer without a reading than a shape is estimated: that hour has no bar, and the day is the sum of the others."""
    site = replace(SITE, limits=replace(SITE.limits, gap_exact_s=600, gap_estimate_s=600))
    now, _ = asked(context_of(tmp_path / "s.sqlite", steady("t1", 4000.0, minutes=GAP), site=site), "t1", site)
    line = today(now)
    assert (line.along_mwh, line.at_least, line.so_far) == (8_000_000, True, True)
    bars = chart(now)
    assert bars is not None
    assert bars.along[-3:] == [4.0, None, 4.0]


def test_the_last_intervals_end_at_what_is_closed(tmp_path: Path) -> None:
    context = context_of(tmp_path / "s.sqlite", steady("q01", -4000.0))
    with context.backend.reader() as reads:
        now = recent(reads, SITE, "q01", NOW)
        wanted, step = now.last_intervals(3)
        assert (wanted, step) == ([LAST - 45 * MINUTE, LAST - 30 * MINUTE, LAST - 15 * MINUTE], 15 * MINUTE)
        assert now.interval_energies(reads, wanted) == [-1_000_000] * 3, "against the arrow: export is taken off"


@pytest.mark.parametrize("hours", [1, 3])
def test_the_power_factor_of_energies_before_that_of_powers(tmp_path: Path, hours: int) -> None:
    """4 kW and 3 kvar are 0.8 by the registers; without the reactive one nothing is made up."""
    reactive = [
        Reading("q01", "3.8.0", BEGIN + k * MINUTE, k * 50_000, BEGIN + k * MINUTE) for k in range(hours * 60 + 1)
    ]
    known, factor = asked(context_of(tmp_path / "s.sqlite", steady("q01", 4000.0) + reactive), "q01")
    assert factor == (pytest.approx(0.8), "energy"), "only hours that both registers know"
    assert known.channels == (("q01", IMPORT), ("q01", "2.8.0"))
    none, nothing = asked(context_of(tmp_path / "t.sqlite", steady("q02", 4000.0)), "q02")
    assert nothing == (None, "")
    assert none.totals.whole is False


def test_the_power_factor_of_powers_where_no_reactive_energy_is_read(tmp_path: Path) -> None:
    """Summed over the last closed hour, from P and Q of the same times."""
    site = replace(SITE, inputs=(*SITE.inputs, Input("q02", "131.7.0", "s", "meters/q02")))
    powers = [Reading("q02", "131.7.0", BEGIN + k * MINUTE, -3000.0, BEGIN + k * MINUTE) for k in range(181)]
    context = context_of(tmp_path / "s.sqlite", steady("q02", 4000.0) + powers, site=site)
    _, factor = asked(context, "q02", site)
    assert factor == (pytest.approx(0.8), "power")
