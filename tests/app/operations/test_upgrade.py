"""The trial on a copy finds what the daemon would recalculate at its start, and figures that are not those of the readings."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.app.operations.upgrade import examine
from tests.released import unpack

JUNE = 1_717_365_600_000  # 2024-06-03 00:00 in Vienna


@pytest.mark.slow
def test_other_figures_rules_and_instruments_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A changed byte of an energy, a zone whose rules were others, another ratio in the plan; the copy is gone afterwards."""
    plan, store, trial = unpack("0.1.0", tmp_path), tmp_path / "mill.sqlite", tmp_path / "trial"
    trial.mkdir()
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE figure SET energy = energy + 7 WHERE period = 'interval' AND start_ms = ?", (JUNE,))
        db.execute("INSERT OR REPLACE INTO fact VALUES ('zone_rules', '631152000:3600')")
    result = examine(load_plan(plan), store, trial)
    assert len(result.differing) == 5
    assert all("2024-06-02T22:00:00Z" in message for message in result.differing)
    assert "the rules of Europe/Vienna differ from 1990-03-25T01:00:00Z" in result.follow[0]
    assert list(trial.iterdir()) == []

    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('"400/5"', '"300/5"'), encoding="utf-8")
    assert main(["upgrade", str(plan), "--dry-run"]) == 1
    message = capsys.readouterr().out
    assert "the instruments of t1 1.8.0 in the plan are others" in message
    assert "would be others" in message
    assert "instead of" in message
