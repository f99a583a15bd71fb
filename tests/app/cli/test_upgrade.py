"""What a new version would change is said before it is started, and nothing is touched: with stores of released versions."""

import json
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.app.cli.main import main
from meterd.app.operations import upgrade
from tests.released import unpack

Capture = pytest.CaptureFixture[str]


def files(folder: Path) -> dict[str, str]:
    """Every file with its SHA-256."""
    return {
        str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def change(store: Path, text: str) -> None:
    """Another program writes into the store."""
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute(text)


@pytest.mark.slow
def test_a_store_of_an_earlier_version_is_examined_and_not_touched(tmp_path: Path, capsys: Capture) -> None:
    """Steps, rows, seconds, room, new keys, figures; then without room for a copy."""
    plan = unpack("0.1.0", tmp_path)
    before = files(tmp_path)
    assert main(["upgrade", str(plan), "--dry-run", "--format", "json"]) == 0
    output = json.loads(capsys.readouterr().out)
    assert (output["schema"], output["written_by"], output["measured"]) == (6, "0.1.0", True)
    assert [step.partition(":")[0] for step in output["steps"]] == ["7", "8", "9", "10", "11", "12"]
    assert output["rows"]["reading"] == 11_020
    assert output["digest_s"] > 0
    assert output["grows_bytes"] > 0
    assert output["needed_bytes"] == output["bytes"] + 2 * output["grows_bytes"]
    assert output["new_keys"]["schedule.backup_days"] == 7
    assert (output["compared"] > 40_000, output["differing"]) == (True, [])
    assert main(["upgrade", str(plan), "--dry-run"]) == 0
    text = capsys.readouterr().out
    assert "schema   7: new table digest" in text
    assert "all are as stored" in text
    assert "Nothing was changed" in text
    assert files(tmp_path) == before

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(upgrade, "ROOM", 10**9)  # no disk has that
        assert main(["upgrade", str(plan), "--dry-run"]) == 0
    text = capsys.readouterr().out
    assert "estimated: there is no room for a copy, see --trial" in text
    assert "figures  not compared" in text
    assert files(tmp_path) == before


@pytest.mark.slow
def test_a_store_of_this_version_and_of_a_newer_one(tmp_path: Path, capsys: Capture) -> None:
    """Nothing is due, also with a log that is not in the file yet; of a newer one: which version to run."""
    plan = unpack("0.2.0", tmp_path)
    store = tmp_path / "mill.sqlite"
    SqliteStore.writer(store).close()  # the version of today was kept with an earlier schema
    with closing(sqlite3.connect(store, isolation_level=None)) as writer:
        writer.execute("PRAGMA wal_autocheckpoint = 0")
        writer.execute("INSERT INTO balance_old SELECT * FROM balance WHERE period = 'year'")
        log = files(tmp_path)["mill.sqlite-wal"]
        assert main(["upgrade", str(plan), "--dry-run", "--format", "json"]) == 0
        output = json.loads(capsys.readouterr().out)
        (count,) = writer.execute("SELECT COUNT(*) FROM balance_old").fetchone()
        assert (output["steps"], output["grows_bytes"], output["rows"]["balance_old"]) == ([], 0, count)
        assert files(tmp_path)["mill.sqlite-wal"] == log
    change(store, f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    before = files(tmp_path)
    assert main(["upgrade", str(plan), "--dry-run"]) == 1
    assert f"schema {SCHEMA_VERSION + 1}, this version knows {SCHEMA_VERSION}; run the newer" in capsys.readouterr().err
    assert files(tmp_path) == before


def test_what_cannot_be_examined_is_refused(tmp_path: Path, capsys: Capture) -> None:
    """Without --dry-run, without a store, with a file that is none, into no folder."""
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'site = { name = "mill", zone = "Europe/Vienna" }\nboard = [{ name = "main" }]\n'
        'source = [{ name = "m" }]\npoint = [{ point = "t1", role = "feed" }]\n'
        'input = [{ point = "t1", register = "1.8.0", source = "m", address = "a" }]\n',
        encoding="utf-8",
    )
    store = tmp_path / "s.sqlite"
    assert main(["upgrade", str(plan)]) == 2
    assert "write --dry-run" in capsys.readouterr().err
    arguments = ["upgrade", str(plan), "--dry-run", "--store", str(store)]
    assert main(arguments) == 1
    assert "there is no store" in capsys.readouterr().err
    assert main([*arguments, "--trial", str(tmp_path / "none")]) == 2
    assert "is no folder" in capsys.readouterr().err
    store.write_bytes(b"no store at all" * 100)
    before = files(tmp_path)
    assert main(arguments) == 1
    assert "cannot read the store" in capsys.readouterr().err
    assert files(tmp_path) == before
