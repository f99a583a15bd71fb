"""What each released version wrote opens with the same totals for ever: its store, its backup, its archive."""

import json
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from meterd import __version__
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.app.cli.main import main
from meterd.core.model.releases import RELEASES
from tests.brokers import until
from tests.interface import KEPT, interface, removed
from tests.programs import Program
from tests.released import kept_totals, totals, unpack, versions

HERE = Path(__file__).parent
Capture = pytest.CaptureFixture[str]


def test_the_version_of_today_is_kept() -> None:
    """Whoever raises the version runs `python -m tests.released`."""
    assert versions()[-1] == __version__, "run python -m tests.released before the version is released"
    assert versions()[0] == "0.1.0"


def test_topics_keys_fields_commands_and_exit_codes_only_gain_additions() -> None:
    """Each that a released version had is there; one that was not would be named, with what to do."""
    stored = KEPT.read_text(encoding="utf-8").splitlines()
    assert {line.split()[0] for line in stored} == {"topic", "plan", "page", "command", "exit", "log", "metric"}
    assert removed(stored, interface()) == []
    without = [line for line in interface() if line not in ("plan site.zone", "exit code 2 wrong")]
    texts = removed(stored, without)
    assert [text.partition(" is gone; ")[0] for text in texts] == ["exit code 2 wrong", "plan site.zone"]
    assert "bring it back" in texts[0]


def test_a_new_key_of_the_plan_stands_with_its_version() -> None:
    """`meterd upgrade` names it to those who come from an earlier version; its own list has no key that is not one."""
    keys = {line.split()[1] for line in interface() if line.startswith("plan ") and not line.startswith("plan source.")}
    stored = {line.split()[1] for line in KEPT.read_text(encoding="utf-8").splitlines() if line.startswith("plan ")}
    named = {key for release in RELEASES for key in release.keys}
    tables = {key.partition(".")[0] for key in named if key.endswith(".*")}
    assert [key for key in sorted(keys - stored) if key not in named and key.partition(".")[0] not in tables] == []
    assert {key for key in named if not key.endswith(".*")} <= keys
    assert RELEASES[-1].version == __version__
    assert RELEASES[-1].schema == SCHEMA_VERSION


def assert_same_totals(version: str, plan: Path, capsys: Capture, *periods: str) -> None:
    """Every figure that the version showed is shown today. What it called missing may be known; rows may have more."""

    def show(arguments: Sequence[str]) -> str:
        capsys.readouterr()
        assert main(list(arguments)) == 0
        return capsys.readouterr().out

    now, stored = totals(plan, show, periods or ("month", "year")), kept_totals(version)
    assert len(stored["energy month"]) == 65
    for name, rows in now.items():
        today = {_key(row): row for row in rows}
        for row in stored[name]:
            known = {key: value for key, value in row.items() if value is not None}
            if any(key.endswith("_wh") for key in known):
                assert {key: today[_key(row)][key] for key in known} == known, name


def _key(row: dict[str, object]) -> tuple[object, ...]:
    return tuple(row.get(name) for name in ("period", "point", "register", "board"))


def by_hand(reader: str, *texts: str) -> tuple[dict[str, dict[str, int]], list[str]]:
    """What a reader without meterd says: its sums, and its faults."""
    command = [sys.executable, "-I", str(HERE / reader), *texts]
    result = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    return result, result["faults"]


def of_2024(years: dict[str, int]) -> dict[str, float]:
    """Energies of the whole year, in Wh."""
    return {name: mwh / 1000 for name, mwh in years.items() if name.startswith("2024")}


@pytest.mark.slow
@pytest.mark.parametrize("version", versions())
def test_store_and_backup_of_every_version_have_the_same_totals(version: str, tmp_path: Path, capsys: Capture) -> None:
    """The store as it is; its backup, restored, after the daemon has run on it. Without meterd: the same year."""
    plan = unpack(version, tmp_path)
    store = tmp_path / "mill.sqlite"
    assert_same_totals(version, plan, capsys)
    assert main(["restore", str(plan), str(tmp_path / "backup.sqlite")]) == 0
    log = tmp_path / "log"
    daemon = Program(["run", str(plan)], log)
    assert until(lambda: "silent-mill" in log.read_text("utf-8") or daemon.poll() is not None)
    daemon.send_signal(15)
    assert daemon.wait(60) == 0, log.read_text("utf-8")
    assert_same_totals(version, plan, capsys, "month")
    assert main(["verify", str(plan)]) == 0
    result, faults = by_hand("store_reader.py", str(store))
    assert faults == []
    registers = {"import": "1.8.0", "export": "2.8.0"}
    expected = {
        f"2024 {row['point']} {registers[str(row['register'])]}": row["energy_wh"]
        for row in kept_totals(version)["energy year"]
        if row["period"] == "2024"
    }
    assert of_2024(result["totals_mwh"]) == expected
    with closing(sqlite3.connect(store)) as changed, changed:
        changed.execute("UPDATE figure SET energy = energy + 1 WHERE period = 'year' AND start_ms = 1704063600000")
    _, faults = by_hand("store_reader.py", str(store))
    assert len([text for text in faults if "its intervals give" in text]) == 5
    changed_days = [text for text in faults if text.startswith("('figure', ")]
    assert len(changed_days) == (5 if "figure" in result["digested"] else 0)  # of 0.1.0 they are made in pieces
    assert version == "0.1.0" or changed_days


@pytest.mark.slow
@pytest.mark.parametrize("version", versions()[1:])  # 0.1.0 had no archive
def test_an_archive_of_every_version_is_read(version: str, tmp_path: Path, capsys: Capture) -> None:
    """A store is made of it and compared with it; without meterd both give the same years."""
    plan = unpack(version, tmp_path)
    archive = str(tmp_path / "archive")
    (tmp_path / "mill.sqlite").unlink()
    assert main(["restore", str(plan), "--archive", archive]) == 0
    assert_same_totals(version, plan, capsys, "month")
    archived, faults = by_hand("archive_reader.py", archive, "mill")
    stored, others = by_hand("store_reader.py", str(tmp_path / "mill.sqlite"))
    assert (faults, others) == ([], [])
    assert archived["years_mwh"] == stored["totals_mwh"]
