"""The drift watch over a real store: quiet history, a planted fault in it, and a rehearsal on it."""

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.cli import main
from meterd.app.config import load_plan
from meterd.app.drift_watch import PAUSE_S, NightWatch, examine, finding_of, run_drill
from meterd.demo.faults import fault
from meterd.demo.history import collect, history
from meterd.errors import ConfigError
from meterd.figure import FigureRow
from meterd.interval import DAY_MS, Period
from meterd.reading import EXPORT, IMPORT
from meterd.site import Limits, Role, Site
from meterd.store.sqlite import SqliteStore

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: 1 March in Vienna
DAYS = 76
PLAN = Path(__file__).parents[2] / "config" / "harrow-mill"


def mill() -> Site:
    """The north board of Harrow Mill without its studios, read every quarter hour."""
    site = load_plan(PLAN).site
    points = tuple(p for p in site.points if p.board == "north" and p.role is not Role.SUB)
    names = {p.name for p in points}
    return replace(
        site,
        boards=tuple(b for b in site.boards if b.name == "north"),
        points=points,
        instruments=tuple(i for i in site.instruments if i.point in names),
        inputs=tuple(i for i in site.inputs if i.point in names and i.register in (IMPORT, EXPORT)),
        consumers=(),
        limits=replace(Limits(), gap_exact_s=1000),  # meters with clocks of their own: no reading falls on the boundary
    )


def kept(path: Path, site: Site, *faults: object, days: int = DAYS) -> Path:
    """A store with the history of the simulated mill, a planted fault in it if wanted."""
    store = SqliteStore.writer(path)
    books = Bookkeeper(store, site, ZoneInfo(site.zone))
    until = BEGIN + days * DAY_MS
    for channel, series in collect(history(site, 16, BEGIN, until, step_s=900, faults=faults)).items():  # type: ignore[arg-type]
        books.import_history(channel, series.at_ms, series.values, until)
    books.settle(until - 900_000, until)
    store.close()
    return path


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history in which no instrument changes."""
    return kept(tmp_path_factory.mktemp("quiet") / "s.sqlite", mill())


@pytest.fixture(scope="module")
def drifted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with the meter of the bakery ovens 4 % low from the 66th day on."""
    planted = fault("drift", "bakery-ovens", -0.04, 66 * 86_400)
    return kept(tmp_path_factory.mktemp("drifted") / "s.sqlite", mill(), planted)


def opened(path: Path) -> SqliteStore:
    """For reading, as the watch does."""
    return SqliteStore.reader(path)


def test_quiet_history_raises_no_suspicion(quiet: Path) -> None:
    """Eleven weeks without a fault: a baseline, and nobody is suspect."""
    store = opened(quiet)
    (watched,) = examine(store, mill())
    store.close()
    assert watched.state.learner is not None
    assert watched.suspicions == ()
    assert watched.days in (DAYS - 1, DAYS)


def test_a_drifting_meter_is_named_with_step_and_date(drifted: Path) -> None:
    """The finding stands at the meter, says by how much and since when, and keeps what else would explain it."""
    store = opened(drifted)
    (watched,) = examine(store, mill())
    store.close()
    (said,) = watched.suspicions
    assert said.named == "ratio bakery-ovens"
    best = said.candidates[0]
    assert best.step == pytest.approx(-0.04, abs=4 * best.step_error)
    assert abs(said.change_ms - (BEGIN + 66 * DAY_MS)) <= 2 * DAY_MS
    finding = finding_of(said, mill())
    assert (finding.cause, finding.subject) == ("drift", "bakery-ovens")
    assert finding.evidence


def test_made_again_it_says_the_same(drifted: Path) -> None:
    """A restart changes nothing: the watch is a function of the figures."""
    store = opened(drifted)
    first, second = examine(store, mill()), examine(store, mill())
    store.close()
    assert [s.as_dict() for w in first for s in w.suspicions] == [s.as_dict() for w in second for s in w.suspicions]


def test_kept_days_give_the_same_and_a_changed_figure_makes_its_day_anew(tmp_path: Path, drifted: Path) -> None:
    """Statistics are stored; a late reading or correction is noticed by the time its figure was written."""
    path = tmp_path / "s.sqlite"
    path.write_bytes(drifted.read_bytes())
    store = SqliteStore.writer(path)
    (first,) = examine(store, mill())
    assert len(first.fresh) == first.days
    with store.transaction():
        store.drift_days.keep(first.fresh)
    (again,) = examine(store, mill())
    assert again.fresh == ()
    assert [s.as_dict() for s in again.suspicions] == [s.as_dict() for s in first.suspicions]
    changed = FigureRow(("bakery-ovens", IMPORT), Period.INTERVAL, BEGIN + 40 * DAY_MS, 1_234_000, 0)
    with store.transaction():
        store.write_figures([changed], now_ms=BEGIN + 200 * DAY_MS, reason="late readings")
    (third,) = examine(store, mill())
    assert [day.start_ms for day in third.fresh] == [BEGIN + 40 * DAY_MS - 3_600_000]
    store.close()


def test_drill_on_own_history_finds_and_names_the_planted_fault(quiet: Path) -> None:
    """A rehearsal says after how many days a fault would have been found, and whether rightly named."""
    store = opened(quiet)
    result = run_drill(store, mill(), "cold-store", 0.95, BEGIN + 66 * DAY_MS)
    assert result.right
    assert result.named_days is not None
    assert result.named_days <= 10
    with pytest.raises(ConfigError, match="no balance contains nowhere"):
        run_drill(store, mill(), "nowhere", 0.95, BEGIN)
    with pytest.raises(ConfigError, match="history ends before"):
        run_drill(store, mill(), "cold-store", 0.95, BEGIN + 400 * DAY_MS)
    store.close()


def until_found(night: NightWatch, look: Callable[[], object]) -> object:
    """Wait for the thread of the watch."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if (found := look()) is not None:
            return found
        night.join(1.0)
    raise AssertionError("the watch did not finish")


def test_night_watch_reports_once_a_day_and_never_before_its_pause(drifted: Path) -> None:
    """It begins after a pause, hands its findings over once, and waits for the next day."""
    now = [0.0]
    night = NightWatch(drifted, mill(), clock=lambda: now[0])
    closed_to = BEGIN + (DAYS - 1) * DAY_MS + 7_200_000
    assert night.look(closed_to) is None
    night.join(1.0)
    assert night.look(closed_to) is None, "it waits before the first examination"
    now[0] = PAUSE_S + 1
    found = until_found(night, lambda: night.look(closed_to))
    assert [f.id for f in found] == ["drift-bakery-ovens"]  # type: ignore[attr-defined]
    now[0] += PAUSE_S + 1
    assert night.look(closed_to + 3_600_000) is None, "the same day is not examined again"


def test_commands(quiet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tables a person can act on, and a drawing that is well-formed."""
    words = [str(PLAN), "--store", str(quiet)]
    assert main(["visible-error", *words, "--plan-only"]) == 0
    assert "bakery-ovens" in capsys.readouterr().out
    assert main(["visible-error", *words, "--format", "json"]) == 0
    assert {"point", "seen", "named", "rival"} <= set(json.loads(capsys.readouterr().out)[0])
    plot = tmp_path / "drill.svg"
    code = main(
        ["drill", *words, "--point", "cold-store", "--factor", "0.95", "--from", "2026-05-06", "--plot", str(plot)]
    )
    assert code == 0
    assert "cold-store reading" in capsys.readouterr().out
    assert ElementTree.fromstring(plot.read_text()).tag.endswith("svg")
    assert main(["suspects", *words]) == 0
    assert "not observable by any balance" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--factor", "1"], "cannot drill with --factor 1: write what the meter reads of the truth, such as 0.98"),
        (["--factor", "0,98"], "cannot drill with --factor 0,98: write"),
        (["--factor", "nan"], "cannot drill with --factor nan"),
        (["--factor", "101"], "cannot drill with --factor 101"),
        (["--from", "6.5.2026"], "cannot read --from '6.5.2026'"),
        (["--from", "2020-01-01"], "the history begins after the fault: it goes from 2026-03-01 to"),
        (["--from", "2036-01-01"], "the history ends before the fault begins: it goes from 2026-03-01 to"),
        (["--point", "cold-stor"], "the plan has no point cold-stor; did you mean cold-store"),
        (["--plot", "drill.png"], "cannot draw --plot drill.png: the drawing is SVG; write a name that ends in .svg"),
    ],
)
def test_a_drill_that_cannot_be_is_refused(
    quiet: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    """With what would be right, and before anything long is computed where that can be."""
    asked = {"--point": "cold-store", "--factor": "0.95", "--from": "2026-05-06"} | {words[0]: words[1]}
    flat = [word for pair in asked.items() for word in pair]
    assert main(["drill", str(PLAN), "--store", str(quiet), *flat]) == 2
    assert said in capsys.readouterr().err
