"""`meterd user` as the operator types it: accounts with and without an end, and what is refused."""

import csv
import io
import re
from datetime import datetime
from pathlib import Path

import httpx
import pytest

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from tests.adapters.web.web_backends import serving
from tests.app.commands import CONFIG, run

WORD = "flour and chalk"
ENDS = "2098-03-30"  # the clocks change on this day in the site's zone: midnight is still winter time


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """The small plan, with its store in a folder of its own."""
    path = tmp_path / "small.toml"
    path.write_text((CONFIG / "small.toml").read_text())
    return path


def user(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *texts: str | Path
) -> tuple[int, str, str]:
    """`meterd user`, the password by a pipe."""
    monkeypatch.setattr("sys.stdin", io.StringIO(WORD + "\n"))
    return run(capsys, "user", *map(str, texts))


def test_an_account_has_an_end_that_the_list_shows_and_that_can_be_moved(
    plan: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the site's clock; a new password does not make an access longer, `never` takes the end away."""

    def says(*texts: str) -> str:
        code, out, errors = user(capsys, monkeypatch, plan, *texts)
        assert code == 0, errors
        return out

    assert (
        says("--add", "Anna", "--until", ENDS) == f"Anna may log in with role look until {ENDS} 00:00 Europe/Vienna\n"
    )
    assert says() == f"look\tAnna until {ENDS} 00:00 Europe/Vienna\n"
    assert ENDS in says("--add", "Anna", "--role", "change")
    assert says("--change", "Anna", "--until", "2099-01-01T12:00:00Z").endswith(
        "change until 2099-01-01 13:00 Europe/Vienna\n"
    )
    assert says("--change", "Anna", "--until", "never") == "Anna may log in with role change\n"
    assert says() == "change\tAnna\n"
    assert says("--change", "Anna", "--role", "look") == "Anna may log in with role look\n"


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        (
            ("--add", "Bert", "--until", "2026-01-01"),
            "--until 2026-01-01 is over already (2026-01-01 00:00 Europe/Vienna)",
        ),
        (("--add", "Bert", "--until", "2098-02-30"), "no such date"),
        (("--add", "Bert", "--until", "2098-02-20T10:00:00"), "the time has no zone"),
        (("--change", "Bert", "--until", ENDS), "there is no user 'Bert'; known: none"),
        (("--change", "Bert"), "nothing to change for Bert; give --role or --until"),
        (("--format", "csv"), "--from and --format belong to the log; add --log"),
        (("--until", ENDS), "name it with --add NAME or --change NAME"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(
    texts: tuple[str, ...], says: str, plan: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, errors = user(capsys, monkeypatch, plan, *texts)
    assert code == 2
    assert says in errors
    assert list(plan.parent.glob("*.users")) == []


def test_who_did_what_is_one_list_of_store_page_and_commands(
    plan: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Through the running page and the commands; a name that nobody has is not written down: it may be a password."""
    monkeypatch.setattr("getpass.getuser", lambda: "operator")
    store = plan.parent / "s.sqlite"
    with serving(store) as address, httpx.Client(base_url=address) as client:
        user(capsys, monkeypatch, plan, "--store", store, "--add", "Anna", "--role", "change")
        client.post("/login", data={"name": "my secret word", "password": "x"})
        client.post("/login", data={"name": "Anna", "password": "x"})
        client.post("/login", data={"name": "Anna", "password": WORD})
        token = re.findall('name="token" value="([^"]+)"', client.get("/findings/stale-joinery").text)[0]
        order = {"token": token, "kind": "see", "what": "stale-joinery", "note": "on my way"}
        assert client.post("/order", data=order).status_code == 303
        client.post("/logout", data={"token": token})
    wanted = ["correct", str(plan), "--store", str(store), "--point", "joinery", "--from", "2026-05-04T10:00:00Z"]
    code, _, errors = run(capsys, *wanted, "--factor", "2", "--reason", "CT 100/5", "--person", "Bert")
    assert code == 0, errors
    code, out, errors = user(capsys, monkeypatch, plan, "--store", store, "--log", "--format", "csv")
    assert code == 0, errors
    rows = list(csv.DictReader(out.splitlines()))
    assert [(row["who"], row["did"], row["from"]) for row in rows] == [
        ("operator", "account-added", ""),
        ("unknown", "login-failed", "127.0.0.1"),
        ("Anna", "login-failed", "127.0.0.1"),
        ("Anna", "login", "127.0.0.1"),
        ("Anna", "finding-seen", ""),
        ("Anna", "logout", "127.0.0.1"),
        ("Bert", "correct", ""),
    ]
    assert rows[4]["what"] == "stale-joinery: on my way"
    assert rows[6]["what"].endswith("factor 2: CT 100/5")
    assert "my secret word" not in out
    assert all(datetime.fromisoformat(row["time"]).tzinfo for row in rows)
    code, out, _ = user(capsys, monkeypatch, plan, "--store", store, "--log")
    assert "Who did what, Europe/Vienna" in out
    code, out, _ = user(capsys, monkeypatch, plan, "--store", store, "--log", "--format", "json", "--from", "2098")
    assert (code, out) == (0, "[]\n")


def test_an_open_session_of_the_running_page_ends_with_the_access(tmp_path: Path) -> None:
    """The next request of the same cookie is a visitor's, and the right password is answered with the reason."""
    store = tmp_path / "s.sqlite"
    users = UserFile(store.with_name(store.name + ".users"))
    users.keep("Anna", UserRole.LOOK, WORD, until_ms=4_000_000_000_000)
    with serving(store, open=False) as address, httpx.Client(base_url=address) as client:
        form = {"name": "Anna", "password": WORD}
        assert client.post("/login", data=form).status_code == 303
        assert client.get("/api/now").status_code == 200
        users.change("Anna", UserRole.LOOK, 1_777_888_800_000)
        assert client.get("/api/now").status_code == 401
        refused = client.post("/login", data=form)
    assert refused.status_code == 403
    assert "This account has ended." in refused.text
