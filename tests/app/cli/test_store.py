"""`replay`, `retain` and `energy` say in words what cannot be: dates without a calendar, damaged files, small registers."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.runtime.people_log import Act, PeopleLog, acts_of, people_log_path
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.core.model.periods import text
from tests.app.daemon.calendar_site import site_with_jobs
from tests.faults.mill import MAY, StoreInFolder, as_readings, minutes, write_plan


@pytest.fixture
def mill(tmp_path: Path) -> tuple[str, str]:
    """A plan and a store of two hours."""
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed(as_readings(minutes(120)))
    folder_store.close()
    return str(write_plan(tmp_path / "plan", 1883)), str(folder_store.path)


DATES = ("0001", "9999", "0001-01", "9999-12", "0001-01-01", "9999-12-31", "0001-01-01T00:00", "9999-12-31T23:59:59Z")
DATED = {
    "energy": "--from {}",
    "energy ": "--until {}",
    "energy  ": "--as-of {}",
    "balance": "--from {} --until {}",
    "export": "--from {} --out {out}",
    "export ": "--until {} --out {out}",
    "correct": "--point q01 --from {} --factor 2 --reason why --person who --show",
    "correct ": "--point q01 --from 2026 --to {} --factor 2 --reason why --person who --show",
    "correct  ": "--point q01 --at {} --strike --reason why --person who --show",
    "exchange": "--point q01 --at {} --closing 1 --opening 0 --serial s --person who --show",
    "exchange ": "--point q01 --at 2026-05-04T09:30 --fitted {} --closing 1 --opening 0 --serial s --person who --show",
    "drill": "--point q01 --factor 0.9 --from {}",
    "findings": "--suppress q01 --from {} --until 2026-05-04 --note why",
    "findings ": "--suppress q01 --until {} --note why",
    "shares": "--would-have --until {}",
    "pv-shares": "--month {}",
    "report": "--month {} --pdf {out}",
    "report ": "--year {} --pdf {out}",
    "cost-allocation": "--month {}",
    "cost-allocation ": "--year {}",
    "clock-change": "--at {}",
}


@pytest.mark.parametrize("called", DATED)
def test_dates_at_the_ends_of_the_calendar_are_errors_in_words(
    mill: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], called: str
) -> None:
    """Found with a trial of every command that takes a date: some ended in the words of the language they are written in."""
    for when in DATES:
        options = DATED[called].replace("{out}", str(tmp_path / "out")).replace("{}", when).split()
        assert main([called.strip(), mill[0], "--store", mill[1], *options]) == 2, when
        output = capsys.readouterr().err
        assert output.strip(), when
        assert not any(word in output for word in ("unexpected", "Error", "must be in")), output
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "called", ["energy", "balance", "findings", "verify", "backup copy", "export --out out", "correct --list"]
)
@pytest.mark.parametrize("byte", [b"\xff", b"z"], ids=["no text", "another name"])
def test_a_damaged_description_of_the_tables_is_told_with_what_to_do(
    mill: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], called: str, byte: bytes
) -> None:
    """Each command that reads a store, without the words of the language it is written in."""
    path, command = Path(mill[1]), called.split()[0]
    content = path.read_bytes()
    assert content.count(b"tablechannelchannel") == 1
    path.write_bytes(content.replace(b"tablechannelchannel", b"table" + byte + b"hannelchannel"))
    options = [str(tmp_path / word) if word in ("copy", "out") else word for word in called.split()[1:]]
    assert main([command, mill[0], "--store", mill[1], *options]) == 1
    output = capsys.readouterr().err
    assert "restore a backup" in output or (command == "backup" and byte == b"z"), (
        output
    )  # the copy is what is damaged there
    assert not any(word in output for word in ("unexpected", "codec", "Traceback")), output
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize(
    "called", ["energy", "balance", "findings", "verify", "backup copy", "export --out out", "lines"]
)
def test_a_store_of_a_newer_program_is_read_by_no_command_of_this_one(
    mill: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], called: str
) -> None:
    """Found with a trial of every command: `export` wrote its tables without a word."""
    with closing(sqlite3.connect(mill[1])) as db:
        db.execute("PRAGMA user_version = 99")
    options = [str(tmp_path / word) if word in ("copy", "out") else word for word in called.split()[1:]]
    assert main([called.split()[0], mill[0], "--store", mill[1], *options]) == 1
    assert "has schema 99" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize(
    "when", ["2026-13", "2026-05-04T25:00:00Z", "2026-02-30", "²²²²", "yesterday", "2026-05-04T10:00"]
)
def test_what_is_no_date_is_told_without_words_of_the_language_it_is_written_in(
    mill: tuple[str, str], capsys: pytest.CaptureFixture[str], when: str
) -> None:
    assert main(["energy", mill[0], "--store", mill[1], "--from", when]) == 2
    output = capsys.readouterr().err
    assert ("no such date or time; write 2026" in output) == (when != "2026-05-04T10:00"), output
    assert ("the time has no zone" in output) == (when == "2026-05-04T10:00"), output


def test_a_reading_that_no_register_shows_is_refused(mill: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """A number of a hundred digits was written into the plan."""
    output = "--point q01 --at 2026-05-04T09:30 --closing {} --opening 0 --serial s --person p --show".format("1e99")
    assert main(["exchange", mill[0], "--store", mill[1], *output.split()]) == 2
    assert "--closing 1e99: no register shows that much" in capsys.readouterr().err


def test_days_beyond_any_store_are_an_error_in_words(mill: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["retain", mill[0], "--store", mill[1], "--keep", "99999999999"]) == 2
    assert "a hundred years" in capsys.readouterr().err


def test_retain_that_only_looks_runs_beside_the_one_that_writes(
    mill: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    writer = SqliteStore.writer(Path(mill[1]))
    main(["retain", mill[0], "--store", mill[1], "--keep", "90"])
    assert "in use" not in capsys.readouterr().err
    assert main(["retain", mill[0], "--store", mill[1], "--keep", "90", "--delete", "--archive", "a"]) != 0
    assert "in use" in capsys.readouterr().err
    writer.close()


def test_readings_above_a_register_that_was_told_too_small_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, rows = write_plan(tmp_path / "plan", 1883), tmp_path / "q01.csv"
    message = plan.read_text(encoding="utf-8").replace("register_max_wh = 1e9", "register_max_wh = 10000")
    plan.write_text(message, encoding="utf-8")
    lines = [f"{text(MAY + i * 60_000)},{9_000 + 20 * i}" for i in range(100)]
    rows.write_text("time,q01\n" + "\n".join(lines) + "\n", encoding="utf-8")
    for where in (["--out", str(tmp_path / "o")], ["--into", str(tmp_path / "new.sqlite")]):
        options = ["--map", "q01=q01:import", *where]
        assert main(["replay", str(plan), str(rows), *options]) == 0, capsys.readouterr().err
        assert "q01 import: 50 readings are at or above register_max_wh" in " ".join(capsys.readouterr().out.split())


def test_archive_verify_and_restore(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Out, compared, back; wrong wishes in one line."""
    plan = site_with_jobs(tmp_path)
    assert main(["archive", str(plan)]) == 0
    assert "archived 2026-01 version 1, 2026-02 version 1" in capsys.readouterr().out
    assert main(["archive", str(plan)]) == 0
    assert "every closed month is archived as it is" in capsys.readouterr().out
    assert main(["verify", str(plan), "--archive"]) == 0
    assert "2 months, " in capsys.readouterr().out
    assert main(["restore", str(plan)]) == 2
    assert "name a backup, or an archive with --archive" in capsys.readouterr().err
    assert main(["restore", str(plan), "--archive", str(tmp_path / "nowhere")]) == 1
    assert "it has no month of this site" in capsys.readouterr().err
    assert main(["restore", str(plan), "--archive"]) == 0
    assert "the previous store is now" in capsys.readouterr().out
    (file,) = (tmp_path / "archive" / "site=mill" / "table=energy" / "month=2026-01").iterdir()
    file.unlink()
    assert main(["verify", str(plan), "--archive"]) == 1
    assert "is missing; meterd archive PLAN writes it" in capsys.readouterr().out


def test_a_backup_takes_the_log_of_people_along(mill: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """Made, put in the place of a store that has a log of its own, and of one on a machine that knows nobody."""
    plan, store = mill
    people, copy = people_log_path(Path(store)), Path(store).with_name("copy.sqlite")
    PeopleLog(people).add(Act(MAY, "login", "Anna"))
    assert main(["backup", plan, str(copy), "--store", store]) == 0
    assert acts_of(people_log_path(copy)) == acts_of(people)
    PeopleLog(people).add(Act(MAY + 2, "logout", "Anna"))
    PeopleLog(people_log_path(copy)).add(Act(MAY + 1, "login", "Ben"))
    elsewhere = Path(store).with_name("elsewhere.sqlite")
    for target in (store, str(elsewhere)):
        assert main(["restore", plan, str(copy), "--store", target]) == 0
    assert [act.person for act in acts_of(people)] == ["Anna", "Ben", "Anna"]
    assert [act.person for act in acts_of(people_log_path(elsewhere))] == ["Anna", "Ben"]
    assert people_log_path(elsewhere).stat().st_mode & 0o077 == 0
    capsys.readouterr()
    assert main(["user", plan, "--log", "--format", "csv", "--store", str(elsewhere)]) == 0
    assert "Ben" in capsys.readouterr().out
