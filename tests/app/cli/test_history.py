"""`meterd history` from the command line: over archives, alone and on a running cluster; wrong wishes in one line."""

import csv
import io
import json
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.clusters import cluster


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """An archive of the mill with two months."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    archive_months(*site_with_months(tmp_path), place(tmp_path), NOW)
    return str(tmp_path / "archive")


def test_a_table_csv_and_json(archive: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same figures in all of them; exit code 1 where a part of them could not be read."""
    asked = ["history", archive, "--workers", "1", "--from", "2026-06"]
    assert main(asked) == 0
    assert "Energy per month (local to each site)" in (shown := capsys.readouterr().out)
    assert "mill  2026-06  roof   import     21600.000" in shown
    assert main([*asked, "--format", "csv"]) == 0
    rows = {row["point"]: row for row in csv.DictReader(io.StringIO(capsys.readouterr().out))}
    assert (rows["roof"]["site"], rows["roof"]["energy_wh"]) == ("mill", "21600000.0")
    assert main([*asked, "--show", "demand", "--format", "json"]) == 0
    assert {line["point"]: line["demand_w"] for line in json.loads(capsys.readouterr().out)}["q02"] == 12_000
    (file,) = (Path(archive) / "site=mill" / "table=energy" / "month=2026-06").iterdir()
    file.unlink()
    assert main(asked) == 1
    assert "mill 2026-06: the archive" in (output := capsys.readouterr()).err
    assert "no figures in that span" in output.out


def test_figures_made_once_more_by_a_plan(archive: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same lines, and how many figures were compared; what differs is named, and the exit code says so."""
    asked = ["history", archive, "--workers", "1", "--show", "pv"]
    assert main(asked) == 0
    archived = capsys.readouterr().out
    plan = tmp_path / "mill.toml"
    assert main([*asked, "--plan", str(plan)]) == 0
    made = capsys.readouterr()
    assert made.out == archived
    assert made.err == "33360 interval figures made once more, 0 differ from the archive\n"
    assert main([*asked, "--plan", str(plan), "--period", "year"]) == 2
    assert "--plan and --period year: write one of interval, hour, day, month" in capsys.readouterr().err
    plan.write_text(plan.read_text().replace("register_max_wh = 1e9", "register_max_wh = 1000"), encoding="utf-8")
    assert main([*asked, "--plan", str(plan)]) == 1
    output = capsys.readouterr().err
    assert "33360 interval figures made once more, 33336 differ from the archive" in output
    assert "  mill t1 1.8.0 2026-05-04T00:00:00Z: missing, archived 1800000 mWh" in output


def test_wrong_wishes_are_named(archive: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In one line, with what would be right."""
    for options, text in (
        (["--from", "June"], "cannot read --from 'June': write 2026 or 2026-03"),
        (["--until", "2026-13"], "cannot read --until '2026-13'"),
        (["--workers", "0"], "--workers 0: write 1 or more"),
        (["--password-file", str(tmp_path / "none")], "cannot read the password of the archive from"),
        (["--site", "annex"], "no archive named here has a site annex"),
    ):
        assert main(["history", archive, "--workers", "1", *options]) == 2
        assert text in capsys.readouterr().err


@pytest.mark.slow
def test_a_running_cluster(archive: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same lines as of this process alone."""
    asked = ["history", archive, "--show", "balance", "--period", "day", "--format", "csv"]
    assert main([*asked, "--workers", "1"]) == 0
    alone = capsys.readouterr().out
    with cluster(tmp_path) as address:
        assert main([*asked, "--cluster", address]) == 0
    assert capsys.readouterr().out == alone
