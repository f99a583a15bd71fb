"""`meterd correct`: shown, entered, listed, withdrawn; what it touches is reported before and after."""

import csv
import io
import json
import time
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.order_handler import record_issued
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import Period, text
from meterd.core.model.reading import IMPORT
from tests.app.small_plant import DAY, HOUR, MAY, filled, readings

Q01 = ("q01", IMPORT)
FROM, TO = MAY + 6 * HOUR, MAY + DAY
WISH = ("--point", "q01", "--from", text(FROM), "--to", text(TO), "--factor", "250/200")
WHO = ("--reason", "plate says 250/5", "--person", "Ada")


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    code = main(list(arguments))
    output = capsys.readouterr()
    return code, output.out, output.err


def lines(out: str) -> dict[tuple[str, str, str], tuple[str, str]]:
    """The CSV lines of what is touched: before and after by what, period and subject."""
    rows = csv.DictReader(io.StringIO(out))
    return {(row["what"], row["period"], row["subject"]): (row["before"], row["after"]) for row in rows}


def test_what_is_shown_comes_true(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Energy, board, shares and allocation of the month before and after; a dry run changes nothing and tells the same."""
    plan, path = filled(tmp_path)
    code, shown, _ = run(capsys, "correct", str(plan), *WISH, "--show", "--format", "csv")
    assert code == 0
    with_store = SqliteStore.reader(path)
    assert with_store.corrections.all() == []
    with_store.close()
    code, out, err = run(capsys, "correct", str(plan), *WISH, *WHO, "--format", "csv")
    assert (code, err.startswith("correction 1: q01 import times 250/200")) == (0, True)
    assert lines(out) == lines(shown)
    results = lines(out)
    whole, gain = 2 * 288 * 800.0, 18 * 12 * 200.0
    assert results["energy", "2026-05", "q01 import"] == (str(whole), str(whole + gain))
    residual = 2 * 288 * 200.0
    assert results["balance", "2026-05", "main residual"] == (str(residual), str(residual - gain))
    assert results["balance", "2026-05", "main intervals outside the band"] == ("192 of 192", "120 of 192")
    assert results["pv-shares", "2026-05", "Bakery"][0] < results["pv-shares", "2026-05", "Bakery"][1]


def test_the_board_closes_and_old_figures_can_be_had(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Where the ratio is put right the residual is gone; `--as-of` gives what stood there before, for energy and balance."""
    plan, path = filled(tmp_path)
    before = text(round(time.time() * 1000) - 5)
    assert run(capsys, "correct", str(plan), *WISH, *WHO)[0] == 0
    store = SqliteStore.reader(path)
    rows = store.balances("main", Period.INTERVAL, MAY, MAY + 2 * DAY)
    assert [row.residual for row in rows] == [600_000] * 24 + [0] * 72 + [600_000] * 96
    versions = store.versions(Q01, Period.INTERVAL, FROM)
    assert [(v.energy, v.reason) for v in versions] == [(2_400_000, "closed"), (3_000_000, "correction 1")]
    store.close()
    day = ("--from", "2026-05-04", "--until", "2026-05-05", "--format", "json")
    now = json.loads(run(capsys, "energy", str(plan), "--point", "oven-hall", *day)[1])
    then = json.loads(run(capsys, "energy", str(plan), "--point", "q01", *day, "--as-of", before)[1])
    assert [line["energy_wh"] for line in (*then, *now)] == [288 * 800.0, 288 * 800.0 + 18 * 12 * 200]
    then = json.loads(run(capsys, "balance", str(plan), *day, "--as-of", before)[1])
    assert then[0]["residual_wh"] == 288 * 200.0
    assert run(capsys, "energy", str(plan), "--pv", *day, "--as-of", before)[0] == 0
    long_ago = json.loads(run(capsys, "energy", str(plan), "--point", "q01", *day, "--as-of", "2026-05-01")[1])
    assert [line["energy_wh"] for line in long_ago] == [None]


def test_withdrawing_goes_back_and_everything_is_listed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Both ways stay in the list, with persons and reasons."""
    plan, path = filled(tmp_path)
    entered = lines(run(capsys, "correct", str(plan), *WISH, *WHO, "--format", "csv")[1])
    shown = lines(run(capsys, "correct", str(plan), "--withdraw", "1", "--show", "--format", "csv")[1])
    back = ("--withdraw", "1", "--reason", "wrong cabinet", "--person", "Bo", "--format", "csv")
    code, out, _ = run(capsys, "correct", str(plan), *back)
    assert code == 0
    assert lines(out) == shown
    assert lines(out) == {key: (after, before) for key, (before, after) in entered.items()}
    assert run(capsys, "correct", str(plan), *back)[0] == 2, "once is enough"
    listed = json.loads(run(capsys, "correct", str(plan), "--list", "--point", "oven-hall", "--format", "json")[1])
    assert [(item["factor"], item["person"], item["withdrawn by"]) for item in listed] == [("250/200", "Ada", "Bo")]
    assert "q02" not in run(capsys, "correct", str(plan), "--list", "--point", "q02")[1]
    store = SqliteStore.reader(path)
    assert [v.energy for v in store.versions(Q01, Period.INTERVAL, FROM)] == [2_400_000, 3_000_000, 2_400_000]
    store.close()


def test_documents_and_findings_of_the_time_are_reported(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A report that was issued keeps its figures; it is listed with the figure as issued and as it is now."""
    plan, path = filled(tmp_path)
    site = load_plan(plan).site
    figures = (("q01", IMPORT, 288 * 800_000), ("q02", IMPORT, 288 * 500_000))
    paper = IssueRecord("day-report", "2026-05-04", MAY, MAY + DAY, MAY + DAY + 9, "Cleo", "ab" * 32, figures)
    other = IssueRecord("day-report", "2026-05-05", MAY + DAY, MAY + 2 * DAY, MAY + 9, "Cleo", "cd" * 32, figures[1:])
    assert record_issued(path, site, paper) == "document 1: day-report 2026-05-04"
    assert record_issued(path, site, other) == "document 2: day-report 2026-05-05"
    assert record_issued(path, site, paper) == "document 1: day-report 2026-05-04", (
        "given out again it is the same paper"
    )
    store = SqliteStore.writer(path)
    rows = [
        FindingRow(Finding("outside-band", "main", MAY, "out"), MAY, MAY + HOUR, "new"),
        FindingRow(Finding("drift", "q01", MAY, "off"), MAY, MAY + HOUR, "closed", MAY + 2 * HOUR),
        FindingRow(Finding("stale", "q02", MAY, "no", points=("q02",)), MAY, MAY + HOUR, "new"),
    ]
    with store.transaction():
        for row in rows:
            store.finding_tables.write(row)
    store.close()
    results = lines(run(capsys, "correct", str(plan), *WISH, *WHO, "--format", "csv")[1])
    issued = {key: value for key, value in results.items() if key[0] in ("issued", "finding")}
    assert issued == {
        ("finding", text(MAY), "outside-band-main"): ("new", "new"),
        ("issued", "2026-05-04", f"day-report 1 of {text(MAY + DAY + 9)}"): (
            "230400.0",
            str(288 * 800.0 + 18 * 12 * 200),
        ),
    }


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (("--factor", "2"), "give --point, --from, --reason, --person"),
        ((*WISH[:6], "--factor", "zwei", *WHO), "is not a factor"),
        ((*WISH, *WHO, "--register", "power"), "not a register that counts"),
        ((*WISH, *WHO, "--register", "export"), "the plan reads no export at q01"),
        (("--point", "q01", "--from", "2026-05-05", "--to", "2026-05-04", "--factor", "2", *WHO), "is not before"),
        (("--point", "q99", "--from", "2026-05-05", "--factor", "2", *WHO), "no point q99"),
        (("--withdraw", "7", *WHO), "there is no correction 7"),
        (("--withdraw", "7"), "give --reason, --person"),
    ],
)
def test_what_cannot_be_is_refused(
    texts: tuple[str, ...], expected: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """In words, before anything is changed."""
    plan, path = filled(tmp_path, days=1)
    code, _, err = run(capsys, "correct", str(plan), *texts)
    assert (code, expected in err) == (2, True), err
    store = SqliteStore.reader(path)
    assert store.corrections.all() == []
    store.close()


def test_an_end_in_a_gap_is_reported(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """How the energy of a gap is split at the end of a correction is an estimate, and the person should know."""
    plan, path = filled(tmp_path, days=1)
    store = SqliteStore.writer(path)
    with store.transaction():
        low, high = MAY + 10 * HOUR, MAY + 13 * HOUR
        number = store.channel_number(Q01)
        store.connection.execute(
            "DELETE FROM reading WHERE channel = ? AND at_ms > ? AND at_ms < ?", (number, low, high)
        )
    store.close()
    span = ("--from", text(MAY + 11 * HOUR + 420_000), "--to", text(MAY + 20 * HOUR))
    code, out, err = run(capsys, "correct", str(plan), "--point", "q01", *span, "--factor", "2", "--show")
    assert code == 0
    assert err.count("lies between readings far apart") == 1
    assert "q01 import" in out


def test_a_replay_into_tables_may_have_the_corrections_of_a_store(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The same energies as the store's, and the description says which corrections are in them."""
    plan, path = filled(tmp_path)
    assert run(capsys, "correct", str(plan), *WISH, *WHO)[0] == 0
    old = tmp_path / "old.csv"
    rows = [f"{text(r.at_ms)},{r.point},{r.register},{r.value / 1000}" for r in readings(MAY, MAY + 2 * DAY)]
    old.write_text("time,point,register,value\n" + "\n".join(rows) + "\n")
    folder = tmp_path / "tables"
    assert run(capsys, "replay", str(plan), str(old), "--out", str(folder), "--corrections", str(path))[0] == 0
    with (folder / "energy_interval.csv").open() as file:
        results = [int(row["q01.import_mwh"]) for row in csv.DictReader(file)]
    assert results == [2_400_000] * 24 + [3_000_000] * 72 + [2_400_000] * 96
    description = json.loads((folder / "description.json").read_text())
    assert description["corrections"] == [{"id": 1, "point": "q01", "register": IMPORT, "factor": "250/200"}]
