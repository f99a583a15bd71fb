"""`meterd clock-change` on stores made by replay."""

import json
import sqlite3
from datetime import datetime
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from meterd.core.model.periods import from_ms, to_ms

PLAN = """\
site = {{ name = "mill", zone = "{zone}" }}
broker = {{ embedded = true }}
store = {{ path = "s.sqlite" }}
board = [{{ name = "main" }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "q01" }}]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e9 }}]
source = [{{ name = "old", protocol = "file" }}]
input = [{{ point = "*", register = "1.8.0", source = "old", address = "{{point}}", unit = "kWh" }}]
"""
CASES = {  # zone: a day in the month of the change, and its quarter hours
    "Europe/Vienna": ("2026-10-25", 100),
    "Australia/Lord_Howe": ("2026-10-04", 94),
    "America/Havana": ("2026-03-08", 92),
    "Asia/Kathmandu": ("2026-03-08", 96),
}


def replayed(folder: Path, zone: str, day: str) -> Path:
    """A plan with a store of 70 days around a day, made by replaying a file with a reading every 15 minutes."""
    plan = folder / "mill.toml"
    plan.write_text(PLAN.format(zone=zone), encoding="utf-8")
    noon = to_ms(datetime.fromisoformat(f"{day}T12:00:00+00:00"))
    lines = ["time,point,register,value"]
    for n in range(-36 * 96, 34 * 96 + 1):
        stamp = from_ms(noon + n * 900_000).isoformat()
        lines += [f"{stamp},t1,1.8.0,{1_000_000 + n * 320}", f"{stamp},q01,1.8.0,{500_000 + n * 310}"]
    (folder / "old.csv").write_text("\n".join(lines), encoding="utf-8")
    assert main(["replay", str(plan), str(folder / "old.csv"), "--into", str(folder / "s.sqlite")]) == 0
    return plan


def asked(plan: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    """Exit code and output of the command."""
    capsys.readouterr()
    code = main(["clock-change", str(plan), *more])
    return code, capsys.readouterr().out


@pytest.mark.parametrize("zone", CASES)
def test_figures_made_by_replay_are_verified(zone: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two registers and a board hold the day of the change as the calendar says; a zone without changes has nothing."""
    day, quarters = CASES[zone]
    plan = replayed(tmp_path, zone, day)
    code, text = asked(plan, capsys, "--at", "2026-12-01")
    assert code == 0
    if quarters == 96:
        assert "no change within two years" in text
        assert "last: not verified: the stored figures begin at" in text
        return
    assert f"{day} closed: {quarters} intervals" in text
    assert "verified: 3 registers and boards" in text


def test_wrong_figures_end_with_code_1_and_name_the_figure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A quarter hour that somebody deleted from the store is named."""
    plan = replayed(tmp_path, "Europe/Vienna", "2026-10-25")
    with sqlite3.connect(tmp_path / "s.sqlite") as db:
        gone = to_ms(datetime.fromisoformat("2026-10-25T01:15:00+00:00"))
        db.execute("DELETE FROM figure WHERE period = 'interval' AND start_ms = ?", (gone,))
    db.close()
    code, text = asked(plan, capsys, "--at", "2026-12-01")
    assert code == 1
    assert "q01 1.8.0, interval 2026-10-25T02:15+01:00: it is over and has no row" in text
    code, text = asked(plan, capsys, "--at", "2026-12-01", "--format", "json")
    fields = json.loads(text)
    assert code == 1
    assert {f["name"] for f in fields["last"]["faults"]} == {"q01 1.8.0", "t1 1.8.0"}
    assert fields["next"]["at"] == "2027-03-28T01:00:00Z"
    assert fields["next"]["shift_s"] == 3600


def test_without_a_store_the_next_change_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before the first start there is something to plan with, and a reason why nothing was verified."""
    plan = tmp_path / "mill.toml"
    plan.write_text(PLAN.format(zone="Europe/Vienna"), encoding="utf-8")
    code, text = asked(plan, capsys, "--at", "2026-03-20")
    assert code == 0
    assert "day   2026-03-29 closes at 2026-03-29T22:01:00Z: 92 intervals, 23 hours by the clock" in text
    assert "last: not verified: there is no store" in text
    assert main(["clock-change", str(plan), "--at", "soon"]) == 2
