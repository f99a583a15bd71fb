"""Figures of many sites from archives alone are those of the sites' own stores, however the work is spread."""

import json
import os
import re
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.archive.target import Login
from meterd.adapters.cluster.workers import workers
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations import history
from meterd.app.operations.archive import archive_months, newest_months
from meterd.app.operations.history import Answer, MonthPiece, Place, Question, ask, figures_of
from meterd.app.operations.queries import Line, Span, balance_lines, demand_lines, energy_lines, pv_lines
from meterd.app.operations.question import moment, some_boards, some_points
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period
from tests.app.operations.archived_site import NOW, place, site_with_months


@pytest.fixture
def mill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Plan, Path, Place]:
    """The plan of the mill, its store, and an archive of two months."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    plan, path = site_with_months(tmp_path)
    archive_months(plan, path, place(tmp_path), NOW)
    return plan, path, Place(str(tmp_path / "archive"), Login())


def second_site(where: Place) -> None:
    """The annex, which has the figures of the mill."""
    annex = Path(where.url) / "site=annex"
    shutil.copytree(Path(where.url) / "site=mill", annex)
    for file in (annex / "table=month").rglob("*.json"):
        file.write_text(file.read_text(encoding="utf-8").replace("mill", "annex"), encoding="utf-8")


def asked(where: Place, question: Question, count: int = 1) -> tuple[list[Line], list[str]]:
    """All lines and troubles."""
    with workers(count) as spread:
        answers = list(ask([where], [], question, spread))
    return [line for a in answers for line in a.lines], [text for a in answers for text in a.troubles]


def in_order(lines: list[Line]) -> list[str]:
    """Lines as texts, sorted; `extent` is of the history of a store."""
    return sorted(repr([(k, v) for k, v in line.items() if k not in ("site", "extent")]) for line in lines)


@pytest.mark.parametrize("period", [Period.INTERVAL, Period.DAY, Period.MONTH])
def test_figures_are_those_of_the_store(period: Period, mill: tuple[Plan, Path, Place]) -> None:
    """Energies, balances, demand, PV."""
    plan, path, where = mill
    site, zone = plan.site, ZoneInfo(plan.site.zone)
    span = Span(moment("2026-06", zone, "from"), moment("2026-07", zone, "until"))
    store = SqliteStore.reader(path)
    points = some_points(site, [])
    expected = {
        "energy": energy_lines(store, site, period, span, points),
        "balance": balance_lines(store, site, period, span, some_boards(site, [])),
        "demand": demand_lines(store, site, span, points),
        "pv": pv_lines(store, site, period, span),
    }
    store.close()
    for show, lines in expected.items():
        results, troubles = asked(where, Question(show, period, since="2026-06"))
        assert troubles == []
        assert {line["site"] for line in results} == {"mill"}
        assert in_order(results) == in_order(lines)


def killed_in_june(piece: MonthPiece) -> Answer:
    """The work on a month, in a process that is killed the first time it comes to June."""
    mark = Path(piece.place.url) / "killed"
    if piece.month.month == "2026-06" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return figures_of(piece)


@pytest.mark.slow
def test_many_workers_and_one_that_is_killed(mill: tuple[Plan, Path, Place], monkeypatch: pytest.MonkeyPatch) -> None:
    """The same lines in the same order, line by line, of two sites."""
    where = mill[2]
    second_site(where)
    alone = asked(where, Question("balance", Period.DAY))
    monkeypatch.setattr(history, "figures_of", killed_in_june)
    assert asked(where, Question("balance", Period.DAY), count=2) == alone
    assert (Path(where.url) / "killed").exists()


def _with_march(folder: Path, where: Place) -> None:
    """A description of March beside those of May and June: April was deleted by hand."""
    (may,) = (folder / "month=2026-05").iterdir()
    values = json.loads(may.read_text(encoding="utf-8"))
    (folder / "month=2026-03").mkdir()
    values |= {"month": "2026-03", "from_ms": 1_772_319_600_000, "until_ms": 1_774_994_400_000, "files": {}}
    (folder / "month=2026-03" / "v1-00000000.json").write_text(json.dumps(values), encoding="utf-8")


def _flip(folder: Path, where: Place) -> None:
    file = Path(where.url) / newest_months(where.target, "mill")[0].files["energy"].path
    file.write_bytes(file.read_bytes()[:-1] + b"?")


def _lose(folder: Path, where: Place) -> None:
    (Path(where.url) / newest_months(where.target, "mill")[1].files["energy"].path).unlink()


def _later(folder: Path, where: Place) -> None:
    (may,) = (folder / "month=2026-05").iterdir()
    may.write_text(may.read_text(encoding="utf-8").replace('"format": 1', '"format": 2'), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "text", "months"),
    [
        (_with_march, "mill in .*: no month between 2026-03 and 2026-05; meterd archive PLAN", ["2026-05", "2026-06"]),
        (_flip, "mill 2026-05: the archive .* is not what was written; restore it", ["2026-06"]),
        (_lose, "mill 2026-06: the archive .* is missing; restore it", ["2026-05"]),
        (_later, r"is of a later version \(format 2, known 1\); run the later version of meterd", []),
    ],
)
def test_what_cannot_be_read_is_named_beside_the_rest(
    change: Callable[[Path, Place], None], text: str, months: list[str], mill: tuple[Plan, Path, Place]
) -> None:
    """A month or a file deleted by hand, a damaged file, an archive of a later version: the other site is there whole."""
    where = mill[2]
    second_site(where)
    change(Path(where.url) / "site=mill" / "table=month", where)
    lines, troubles = asked(where, Question("energy"))
    assert len(troubles) == 1
    assert re.search(text, troubles[0])
    assert sorted({str(line["period"]) for line in lines if line["site"] == "mill"}) == months
    assert sum(line["site"] == "annex" for line in lines) == 12


def test_places_and_sites_that_are_none(mill: tuple[Plan, Path, Place], tmp_path: Path) -> None:
    """In one line, before any work."""
    where = mill[2]
    for folder in (tmp_path / "nowhere", tmp_path / "archive" / "site=mill"):
        with workers(1) as spread, pytest.raises(ConfigError, match="is no archive: it has no folder site="):
            list(ask([Place(str(folder), Login())], [], Question("pv"), spread))
    with workers(1) as spread, pytest.raises(ConfigError, match="no archive named here has a site annex"):
        list(ask([where], ["mill", "annex"], Question("pv"), spread))
    assert asked(where, Question("pv", since="2027")) == ([], [])
