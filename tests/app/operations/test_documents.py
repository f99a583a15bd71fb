"""Reports and allocations are recorded when they are issued, so that a correction lists them before and after."""

import csv
import hashlib
import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.order_handler import OrderHandler
from meterd.app.operations.orders import OrderFolder
from tests.adapters.documents.month import energies, folder
from tests.app.small_plant import DAY, MAY, filled

MARCH = slice(pd.Timestamp("2026-02-28 23:00Z"), pd.Timestamp("2026-03-31 21:00Z"))


def issued(path: Path) -> list[IssueRecord]:
    """Every document on record."""
    store = SqliteStore.reader(path)
    try:
        return store.issued.all()
    finally:
        store.close()


@contextmanager
def written_elsewhere(plan: Path, path: Path) -> Iterator[None]:
    """Somebody else has the store and carries out orders as the daemon does."""
    site, ended = load_plan(plan).site, threading.Event()
    store = SqliteStore.writer(path)
    order_handler = OrderHandler(store, Ledger(store, site, ZoneInfo(site.zone)), site)

    def work() -> None:
        while not ended.wait(0.02):
            OrderFolder(path).carry_out(lambda order: order_handler.carry_out(order, MAY + 3 * DAY))

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        store.close()


def report(plan: Path, *more: object) -> int:
    """The report of May by Ada; the exit code."""
    return main(["report", str(plan), "--month", "2026-05", "--by", "Ada", *(str(item) for item in more)])


def test_each_file_is_recorded_once_with_what_it_rests_on(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Written directly while nobody else has the store; energies of the whole time, check sum, person."""
    plan, path = filled(tmp_path)
    files = tmp_path / "r.pdf", tmp_path / "r.xlsx"
    for _ in range(2):
        assert report(plan, "--pdf", files[0], "--xlsx", files[1]) == 0
    issues = issued(path)
    assert [issue.sha256 for issue in issues] == [hashlib.sha256(file.read_bytes()).hexdigest() for file in files]
    assert {(issue.kind, issue.period, issue.person) for issue in issues} == {("month-report", "2026-05", "Ada")}
    # the month began before the first reading: what is issued counts since then
    assert (0 <= issues[0].from_ms - MAY < 3_600_000, issues[0].until_ms) == (True, MAY + 2 * DAY)
    assert [mwh is not None for point, register, mwh in issues[0].figures if (point, register) == ("q01", "1.8.0")] == [
        True
    ]
    assert f"{files[1]}: document 2: month-report 2026-05, SHA-256 {issues[1].sha256}" in capsys.readouterr().out


def test_the_one_that_writes_the_store_is_asked_to_record(tmp_path: Path) -> None:
    """By an order, with its own clock; the allocation too."""
    plan, path = filled(tmp_path)
    with written_elsewhere(plan, path):
        assert report(plan, "--xlsx", tmp_path / "r.xlsx") == 0
        costs = ["cost-allocation", str(plan), "--month", "2026-05", "--by", "Ada", "--xlsx", str(tmp_path / "c.xlsx")]
        assert main(costs) == 0
    issues = issued(path)
    assert [(issue.kind, issue.made_ms) for issue in issues] == [
        ("month-report", MAY + 3 * DAY),
        ("cost-allocation", MAY + 3 * DAY),
    ]
    assert ("q01", "1.8.0") in [(point, register) for point, register, _ in issues[1].figures]


def test_what_cannot_be_recorded_is_not_given_out(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Somebody else has the store and does not answer: no file, no half a file, an old one stays; words that say why."""
    monkeypatch.setattr("meterd.app.operations.order_handler.ANSWER_LIMIT_S", 0.1)
    plan, path = filled(tmp_path)
    (tmp_path / "r.xlsx").write_bytes(b"the old one")
    store = SqliteStore.writer(path)
    assert report(plan, "--xlsx", tmp_path / "r.xlsx") == 1
    store.close()
    assert "not issued, because that cannot be recorded" in capsys.readouterr().err
    assert (tmp_path / "r.xlsx").read_bytes() == b"the old one"
    assert not list(tmp_path.glob("*.partial"))
    assert issued(path) == []


def test_a_correction_lists_the_document_before_and_after(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The energy in it as it was issued, and as stored now; March is whole, one day of it is doubled."""
    plan = folder(tmp_path)
    wish = ["--month", "2026-03", "--by", "Ada", "--xlsx"]
    for command in ("report", "cost-allocation"):
        assert main([command, str(plan), *wish, str(tmp_path / "x.xlsx")]) == 0
    assert main(["report", str(plan), "--year", "2026", "--by", "Ada", "--xlsx", str(tmp_path / "y.xlsx")]) == 0
    numbers = [f"{issue.kind} {issue.id}" for issue in issued(tmp_path / "hof.sqlite")]
    assert numbers == ["month-report 1", "cost-allocation 2", "year-report 3"]
    capsys.readouterr()
    asked = ["--point", "bakery", "--from", "2026-03-10", "--to", "2026-03-11", "--factor", "2"]
    who = ["--reason", "plate", "--person", "Ada", "--format", "csv"]
    assert main(["correct", str(plan), *asked, *who]) == 0
    rows = [row for row in csv.DictReader(io.StringIO(capsys.readouterr().out)) if row["what"] == "issued"]
    assert [row["subject"].rpartition(" of ")[0] for row in rows] == numbers
    wh = energies()["bakery"].loc[MARCH]
    day = wh.loc["2026-03-09 23:00":"2026-03-10 22:00"].sum()  # type: ignore[misc]
    assert {(float(row["before"]), float(row["after"])) for row in rows[:2]} == {(wh.sum(), wh.sum() + day)}
    year = rows[2]  # of a year in which the history begins
    assert float(year["after"]) - float(year["before"]) == pytest.approx(day)
