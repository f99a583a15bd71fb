"""What the page of a point shows of its values: comparisons, power factor, phases, history."""

from pathlib import Path

import pytest
from starlette.exceptions import HTTPException

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.maintenance_log import Record
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.point import PointView, view
from meterd.adapters.web.pages.point_detail import Figures, PointDetail
from meterd.core.model.finding import Finding
from meterd.core.model.reading import Reading
from meterd.core.registers.corrections import Correction
from tests.adapters.web.request_contexts import (
    BEGIN,
    HOURS,
    LAST,
    MINUTE,
    NOBODY,
    PHASES,
    SOMEBODY,
    context_of,
    shot,
    steady,
)


def seen(path: Path, readings: list[Reading], point: str, viewer: Viewer = SOMEBODY) -> PointView:
    context = context_of(path / "s.sqlite", readings)
    return view(context, viewer, shot(context), point)


def one(view: PointView) -> PointDetail:
    assert view.chosen is not None
    return view.chosen


def figures(path: Path, readings: list[Reading], point: str = "q01") -> Figures:
    result = one(seen(path, readings, point)).figures
    assert result is not None
    return result


def test_register_and_power_that_agree_say_so(tmp_path: Path) -> None:
    """Eight quarter hours of 4 kW, all within what is allowed; the day began before the first reading: at least."""
    result = figures(tmp_path, steady("q01", 4000.0))
    assert [line.word for line in result.compared] == ["agrees"] * 8
    assert {line.register_mwh for line in result.compared} == {1_000_000}
    assert not result.differs
    assert result.along_mwh == 12_000_000
    assert (result.days[0].along_mwh, result.days[0].so_far, result.days[0].at_least) == (12_000_000, True, True)
    assert result.chart is not None
    assert result.chart.along[-3:] == [4.0, 4.0, 4.0]


def test_a_power_off_by_a_tenth_differs(tmp_path: Path) -> None:
    """Class B allows a few per cent, not ten."""
    result = figures(tmp_path, steady("q01", 4000.0, shown=0.9))
    assert result.differs
    assert result.compared[-1].difference_mwh == pytest.approx(100_000, abs=1000)


def test_a_power_of_the_wrong_sign_points_the_other_way(tmp_path: Path) -> None:
    """The register counts up, the power is negative."""
    assert figures(tmp_path, steady("q01", 4000.0, shown=-1.0)).sign == "disagrees"


def test_a_feeder_that_exports_asks_for_its_source(tmp_path: Path) -> None:
    """The plan has none behind it."""
    result = figures(tmp_path, steady("q02", -2000.0), "q02")
    assert result.sign == "feeder-exports"
    assert (result.along_mwh, result.against_mwh) == (0, 6_000_000)


def test_without_power_readings_nothing_is_compared(tmp_path: Path) -> None:
    """A room without a power register: its energies stand alone."""
    result = figures(tmp_path, steady("room-1", 300.0), "room-1")
    assert result.compared == []
    assert result.power_at_ms is None
    assert result.along_mwh == 900_000


def test_power_factor_comes_from_summed_energies(tmp_path: Path) -> None:
    """3 kWh and 4 kvarh each hour give 0.6, whatever the meter itself says at a moment."""
    reactive = [
        Reading("q01", "3.8.0", BEGIN + m * MINUTE, round(4_000_000 * m / 60), BEGIN + m * MINUTE)
        for m in range(HOURS * 60 + 2)
    ]
    result = figures(tmp_path, [*steady("q01", 3000.0), *reactive])
    assert result.power_factor == pytest.approx(0.6)
    assert result.power_factor_by == "energy"


def test_phases_with_their_imbalance(tmp_path: Path) -> None:
    """220, 230 and 240 V: 10 V from the mean. A phase that was not read is missing, and there is no imbalance then."""
    volts = [Reading("q01", obis, LAST, 220.0 + 10 * i, LAST) for i, obis in enumerate(PHASES)]
    (line,) = figures(tmp_path, [*steady("q01", 1000.0), *volts]).phases
    assert line.values == [220.0, 230.0, 240.0]
    assert line.imbalance == pytest.approx(10 / 230)
    (tmp_path / "two").mkdir()
    (line,) = figures(tmp_path / "two", [*steady("q01", 1000.0), *volts[:2]]).phases
    assert line.values == [220.0, 230.0, None]
    assert line.imbalance is None


def test_hours_that_are_missing_make_the_sum_a_lower_bound(tmp_path: Path) -> None:
    """Silent after the first hour and a half: one hour is known."""
    result = figures(tmp_path, steady("q01", 4000.0, minutes=range(91)))
    assert result.along_mwh == 4_000_000
    assert not result.whole
    assert (result.days[0].along_mwh, result.days[0].at_least) == (4_000_000, True)


def test_a_point_that_never_sent_anything_has_no_figures(tmp_path: Path) -> None:
    """Missing, not zero."""
    result = figures(tmp_path, steady("t1", 100.0))
    assert (result.along_mwh, result.power_w, result.registers, result.sign) == (None, None, [], "unknown")


def test_what_the_plan_says_is_there_under_the_old_name_too(tmp_path: Path) -> None:
    """Instruments newest first, what is behind it, former names; an unknown name is reported."""
    point_view = seen(tmp_path, steady("q01", 100.0), "old-ovens")
    detail = one(point_view)
    assert (detail.point, detail.aliases, detail.board_title) == ("q01", ["old-ovens"], "Main distribution")
    assert [i.serial for i in detail.instruments] == ["A-2", "A-1"]
    assert detail.instruments[1].closing[0].milli == 5_000_000
    assert detail.instruments[1].note == "display failed"
    assert [line.point for line in point_view.behind] == ["room-1", "room-2"]
    (tmp_path / "other").mkdir()
    assert one(seen(tmp_path / "other", [], "q02")).feeds == ["annex"]
    (tmp_path / "third").mkdir()
    with pytest.raises(HTTPException, match="no point nothing"):
        seen(tmp_path / "third", [], "nothing")


def test_what_people_did_here_is_reported_newest_first(tmp_path: Path) -> None:
    """An exchange, a correction and that it was withdrawn; those of other points are not here."""
    context = context_of(tmp_path / "s.sqlite", steady("q01", 100.0))
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with store.transaction():
        store.records.add(Record("exchange", "q01", BEGIN - 10**8, "ada", "display failed", BEGIN, {}))
        made = [
            store.corrections.add(Correction(0, point, "1.8.0", BEGIN, None, "5/3", "ratio", "bea", LAST))
            for point in ("q01", "q02")
        ]
        store.corrections.withdraw(made[0], LAST, person="cai", reason="was right")
    store.close()
    events = one(view(context, SOMEBODY, shot(context), "q01")).events
    assert [(e.kind, e.person, e.at_ms) for e in events] == [
        ("withdrawn", "cai", LAST),
        ("correction", "bea", BEGIN),
        ("exchange", "ada", BEGIN - 10**8),
    ]
    assert [e.words for e in events] == ["import × 5/3: was right", "import × 5/3: ratio", "display failed"]


def test_figures_of_single_rooms_are_for_whoever_may_see_them(tmp_path: Path) -> None:
    """In the list, behind a feeder, and on their own page; the plan's words are for everyone."""
    finding = Finding("stale", "room-1", LAST, "room-1: nothing", "", ("room-1",))
    context = context_of(tmp_path / "s.sqlite", steady("room-1", 300.0), [finding])
    closed, open_ = (view(context, viewer, shot(context), "room-1") for viewer in (NOBODY, SOMEBODY))
    assert one(closed).figures is None
    assert one(closed).findings == []
    assert one(open_).figures is not None
    assert [line.id for line in one(open_).findings] == ["stale-room-1"]
    lines = {line.point: line for board in view(context, NOBODY, shot(context)).boards for line in board.points}
    assert (lines["room-1"].hidden, lines["room-1"].register_mwh, lines["room-1"].at_ms) == (True, None, None)
    assert not lines["q01"].hidden
