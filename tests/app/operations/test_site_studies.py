"""Drift and comparisons of many sites from archives are those of the sites' own stores, however the work is spread."""

import json
import os
import re
import shutil
import signal
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.cluster.workers import workers
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.faults import fault
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations import archive as archive_module
from meterd.app.operations import history
from meterd.app.operations.acceptances import with_acceptance
from meterd.app.operations.archive import archive_months
from meterd.app.operations.drift_job import examine, finding_of
from meterd.app.operations.history import Answer, Place, PlanFile, Question, SitePiece, ask, study_of
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.queries import Line
from meterd.app.operations.question import moment
from meterd.app.operations.site_studies import comparison_lines, drift_lines, ranked
from meterd.core.model.periods import DAY_MS, Period
from tests.app.drift_histories import BEGIN, PLAN, history_of, mill
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.clusters import cluster
from tests.faults.mill import CHANNELS, write_plan

APRIL, MAY, JUNE = 1_775_001_600_000 - 7_200_000, 1_777_593_600_000 - 7_200_000, 1_780_272_000_000 - 7_200_000


@pytest.fixture(scope="module")
def drifted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three months of the north board, the meter of the bakery ovens 4 % low from the 75th day on; and their archive."""
    folder = tmp_path_factory.mktemp("drifted")
    planted = fault("drift", "bakery-ovens", -0.04, 75 * 86_400)
    path = history_of(folder / "s.sqlite", mill(), planted, days=92)
    archived(path, folder)
    return folder


def archived(path: Path, folder: Path) -> None:
    """Archive what the store has."""
    archive_months(load_plan(PLAN), path, ArchiveTarget(str(folder / "archive")), JUNE + DAY_MS)


def studied(
    folder: Path, question: Question, plans: dict[str, PlanFile], *, count: int = 1, address: str = ""
) -> tuple[list[Line], list[str]]:
    """All lines and troubles."""
    with workers(count, address) as spread:
        answers = list(ask([Place(str(folder / "archive"), Login())], [], question, spread, plans=plans))
    return [line for a in answers for line in a.lines], [text for a in answers for text in a.troubles]


def plans_of(*paths: Path) -> dict[str, PlanFile]:
    """Plans by the names of their sites."""
    loaded = {path: load_plan(path) for path in paths}
    return {plan.site.name: PlanFile(str(path), plan.fingerprint) for path, plan in loaded.items()}


def test_drift_is_that_of_the_store(drifted: Path) -> None:
    """Every digit of every suspicion: the same instrument, step, error, date and list of rivals."""
    site = load_plan(PLAN).site
    store = SqliteStore.reader(drifted / "s.sqlite")
    watched = examine(store, site)
    store.close()
    assert [s.named for part in watched for s in part.suspicions] == ["ratio bakery-ovens"]
    results, troubles = studied(drifted, Question("drift"), plans_of(PLAN))
    assert troubles == []
    assert results == [{"site": site.name, **line} for line in drift_lines(watched, site)]


def test_drift_as_at_an_earlier_month(drifted: Path) -> None:
    """With what had happened until then: before the fault nobody is suspect, after two months and after one."""
    results, _ = studied(drifted, Question("drift", until="2026-05"), plans_of(PLAN))
    assert {(line["result"], line["days"]) for line in results if line["points"] == ""} >= {("no meter is suspect", 61)}
    assert not any("bakery-ovens" in str(line["points"]) for line in results)
    march, _ = studied(drifted, Question("drift", until="2026-04"), plans_of(PLAN))
    assert {(line["days"], line["points"]) for line in march} == {(31, "")}


def test_what_people_accepted_is_in_the_archive(drifted: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The change is taken as the new normal in the store and in the study alike."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    site = load_plan(PLAN).site
    shutil.copy(drifted / "s.sqlite", tmp_path / "s.sqlite")
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    (suspicion,) = [s for part in examine(store, site) for s in part.suspicions]
    accepted = with_acceptance(store, finding_of(suspicion, site), BEGIN + 90 * DAY_MS, person="Ada", note="new ovens")
    with store.transaction():
        store.set_fact(*accepted)
    expected = drift_lines(examine(store, site), site)
    store.close()
    archived(tmp_path / "s.sqlite", tmp_path)
    results, _ = studied(tmp_path, Question("drift"), plans_of(PLAN))
    assert results == [{"site": site.name, **line} for line in expected]
    assert not any("bakery-ovens" in str(line["points"]) for line in results)


def test_a_year_is_compared_with_the_year_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two whole years and a month on both sides, from the archive and from the store; the sums by a plain count of what the
    registers showed."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    file = write_plan(tmp_path, 1883)
    text = file.read_text(encoding="utf-8").replace("site = { ", "site = { interval_s = 3600, ", 1)
    file.write_text(text, encoding="utf-8")
    plan, path = load_plan(file), tmp_path / "s.sqlite"
    zone = ZoneInfo(plan.site.zone)
    first, *years, last = (moment(word, zone, "") for word in ("2026-12-01", "2027", "2028", "2029", "2029-02-01"))
    times = np.arange(first, last + 1, 3_600_000, dtype=np.int64)
    shown = {c: np.cumsum(np.random.default_rng(i).integers(0, 9_000_000, len(times))) for i, c in enumerate(CHANNELS)}
    store = SqliteStore.writer(path)
    ledger = Ledger(store, plan.site, zone)
    for channel, values in shown.items():
        ledger.import_history(channel, times, values, last)
    ledger.recompute_all(last, last)
    expected = comparison_lines(store, plan.site, Period.YEAR, (first, last))
    store.close()
    archive_months(plan, path, place(tmp_path), last + DAY_MS)
    results, troubles = studied(tmp_path, Question("comparison", Period.YEAR), plans_of(file))
    assert troubles == []
    assert [{**line, "rank": None} for line in results] == [{"site": "mill", **line} for line in expected]
    at = np.searchsorted(times, years)
    item, two = (np.diff(shown["t1", "1.8.0"][at]) / 1000).tolist()
    grid = [line for line in results if line["energy"] == "grid import"]
    assert [(line["period"], line["energy_wh"], line["before_wh"]) for line in grid] == [
        ("2027", item, None),
        ("2028", two, item),
    ]
    assert grid[1]["before_change_percent"] == pytest.approx((two - item) / item * 100, abs=0.05)


@pytest.fixture
def two_sites(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, dict[str, PlanFile]]:
    """The mill with two months, and the annex with the figures of the mill: their archive and plans."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    archive_months(*site_with_months(tmp_path), place(tmp_path), NOW)
    annex = tmp_path / "archive" / "site=annex"
    shutil.copytree(tmp_path / "archive" / "site=mill", annex)
    for file in (annex / "table=month").rglob("*.json"):
        file.write_text(file.read_text(encoding="utf-8").replace("mill", "annex"), encoding="utf-8")
    plan = (tmp_path / "mill.toml").read_text(encoding="utf-8")
    (tmp_path / "annex.toml").write_text(plan.replace('name = "mill"', 'name = "annex"'), encoding="utf-8")
    return tmp_path, plans_of(tmp_path / "mill.toml", tmp_path / "annex.toml")


def test_comparisons_are_those_of_the_store(two_sites: tuple[Path, dict[str, PlanFile]]) -> None:
    """Of whole months, ranked over both sites; May, in which the history begins, is beside nothing."""
    folder, plans = two_sites
    site = load_plan(folder / "mill.toml").site
    store = SqliteStore.reader(folder / "s.sqlite")
    expected = comparison_lines(store, site, Period.MONTH, (APRIL, JUNE + 30 * DAY_MS))
    store.close()
    assert {line["period"] for line in expected} == {"2026-06"}
    assert {line["energy"]: line["energy_wh"] for line in expected}["production"] == 21_600_000.0
    results, troubles = studied(folder, Question("comparison"), plans)
    assert troubles == []
    for name in ("mill", "annex"):
        own = [{**line, "rank": None} for line in results if line["site"] == name]
        assert own == [{"site": name, **line} for line in expected]
    assert {line["rank"] for line in results} == {1}, "both have the same"
    assert studied(folder, Question("comparison", until="2026-06"), plans) == ([], [])


def test_ranks(tmp_path: Path) -> None:
    """The largest first; equal ones share a rank, a missing one has none."""
    line = {"period": "2026-06", "energy": "production", "rank": None}
    sites = [("a", 1.0), ("b", None), ("c", 3.0), ("d", 3.0), ("e", 0.5)]
    result = ranked([{"site": site, **line, "energy_wh": energy} for site, energy in sites])
    assert [(row["site"], row["rank"]) for row in result] == [("c", 1), ("d", 1), ("a", 3), ("e", 4), ("b", None)]


def killed_at_the_annex(piece: SitePiece) -> Answer:
    """The work on a site, in a process that is killed the first time it comes to the annex."""
    mark = Path(piece.place.url) / "killed"
    if piece.site == "annex" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return study_of(piece)


@pytest.mark.slow
@pytest.mark.parametrize("running", [False, True])
def test_many_workers_and_one_that_is_killed(
    running: bool, two_sites: tuple[Path, dict[str, PlanFile]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same lines in the same order, with workers of this machine and on a cluster that runs, which loses one of its two."""
    folder, plans = two_sites
    questions = Question("drift"), Question("comparison")
    alone = [studied(folder, question, plans) for question in questions]
    assert all(lines for lines, _ in alone)
    monkeypatch.setattr(history, "study_of", killed_at_the_annex)
    with cluster(folder, 2) if running else nullcontext("") as address:
        assert [studied(folder, question, plans, count=2, address=address) for question in questions] == alone
    assert (folder / "archive" / "killed").exists()


def test_what_cannot_be_read_is_named_beside_the_rest(two_sites: tuple[Path, dict[str, PlanFile]]) -> None:
    """A damaged file, a month deleted by hand, another plan: the other site is there whole."""
    folder, plans = two_sites
    (file,) = (folder / "archive" / "site=annex" / "table=energy" / "month=2026-06").iterdir()
    file.write_bytes(file.read_bytes()[:-1] + b"?")
    results, troubles = studied(folder, Question("comparison"), plans)
    assert {line["site"] for line in results} == {"mill"}
    assert re.search("^annex: the archive .* is not what was written; restore it", troubles[0])
    folders = folder / "archive" / "site=annex" / "table=month"
    (may,) = (folders / "month=2026-05").iterdir()
    values = json.loads(may.read_text(encoding="utf-8"))
    (folders / "month=2026-03").mkdir()
    values |= {"month": "2026-03", "from_ms": APRIL - 31 * DAY_MS + 3_600_000, "until_ms": APRIL, "files": {}}
    (folders / "month=2026-03" / "v1-00000000.json").write_text(json.dumps(values), encoding="utf-8")
    _, troubles = studied(folder, Question("drift", until="2026-06"), plans)
    assert any("annex in" in text and "no month between 2026-03 and 2026-05" in text for text in troubles)
    changed = {name: replace(plan, fingerprint="0" * 64) for name, plan in plans.items()}
    results, troubles = studied(folder, Question("drift"), changed)
    assert results == []
    assert all("is another plan where the work is done" in text for text in troubles)


def test_from_the_command_line(two_sites: tuple[Path, dict[str, PlanFile]], capsys: pytest.CaptureFixture[str]) -> None:
    """Plans one after the other; without one, or of a period that is not compared, it says what is right."""
    folder, _ = two_sites
    asked = ["history", str(folder / "archive"), "--workers", "1", "--show"]
    plans = ["--plan", str(folder / "mill.toml"), str(folder / "annex.toml")]
    assert main([*asked, "comparison", *plans]) == 0
    assert "annex  2026-06  grid import" in capsys.readouterr().out
    assert main([*asked, "drift", *plans, "--format", "json"]) == 0
    lines = json.loads(capsys.readouterr().out)
    assert [(line["site"], line["boards"]) for line in lines] == [("annex", "board main"), ("mill", "board main")]
    assert main([*asked, "drift"]) == 2
    assert "--show drift needs the plans of the sites: add --plan PLAN PLAN" in capsys.readouterr().err
    assert main([*asked, "drift", *plans[:2], "--site", "annex"]) == 1
    assert "annex: --show drift needs the plan of annex; give --plan" in capsys.readouterr().err
    assert main([*asked, "comparison", *plans, "--period", "day"]) == 2
    assert "--period day: write one of month, year" in capsys.readouterr().err
