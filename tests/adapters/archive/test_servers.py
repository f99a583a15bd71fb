"""Archives by SFTP and in an S3-like place: whole or not there, and every fault in words. Servers and clients are real."""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import asyncssh
import pytest

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months, newest_months
from meterd.app.operations.archive_check import compare
from meterd.core.errors import StoreError
from tests.adapters.archive.ftp_server import PASSWORD, USER
from tests.adapters.archive.relay import Wire, relay
from tests.adapters.archive.s3_server import s3_server
from tests.adapters.archive.sftp_server import sftp_server
from tests.adapters.archive.test_target import some_file
from tests.app.operations.archived_site import NOW, site_with_months
from tests.faults.mill import fill, small_disk

pytestmark = [
    pytest.mark.slow,
    # the SFTP server of the tests leaves a file that was cut off to the collector of garbage
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
KINDS = ("sftp", "s3")


@dataclass(frozen=True, slots=True)
class Server:
    """Where an archive is, who may write there, and the wire to it."""

    url: str
    login: Login
    wire: Wire

    def target(self) -> ArchiveTarget:
        """The archive."""
        return ArchiveTarget(self.url, self.login)


@contextmanager
def server(kind: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """A server of a kind that keeps its files in a folder."""
    if kind == "sftp":
        home = folder.parent / "home"
        home.mkdir()
        monkeypatch.setenv("HOME", str(home))
        known = home / ".ssh" / "known_hosts"
        with sftp_server(folder, known) as port, relay(port) as wire:
            known.write_text(known.read_text(encoding="utf-8").replace(f":{port}", f":{wire.port}"), encoding="utf-8")
            yield Server(f"sftp://127.0.0.1:{wire.port}/archive", Login(USER, PASSWORD), wire)
        return
    with s3_server(folder) as place, relay(place.port) as wire:
        monkeypatch.setenv("AWS_ENDPOINT_URL_S3", f"http://127.0.0.1:{wire.port}")
        yield Server("s3://box/archive", place.login, wire)


@pytest.fixture(params=KINDS)
def place(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """A server whose disk has 4 MB."""
    with small_disk(tmp_path, 4) as disk, server(request.param, disk, monkeypatch) as there:
        yield there


def test_what_is_put_is_there(place: Server, tmp_path: Path) -> None:
    """With folders, read back, listed, replaced, removed."""
    file, target = some_file(tmp_path, 300_000), place.target()
    wanted = hashlib.sha256(file.read_bytes()).hexdigest()
    assert (target.files("site=mill"), target.folders(), target.read("site=mill/none.json")) == ([], [], None)
    assert target.fetch("site=mill/none", tmp_path / "back") is None
    for _ in range(2):
        assert target.put(file, "site=mill/table=energy/month=2026-01/v1.parquet") == wanted
    for text in (b"{}", "{Grüße}".encode()):
        target.write("site=mill/writer.json", text)
    assert target.read("site=mill/writer.json") == "{Grüße}".encode()
    assert target.folders() == ["site=mill"]
    assert target.files("site=mill") == ["site=mill/table=energy/month=2026-01/v1.parquet", "site=mill/writer.json"]
    assert target.fetch("site=mill/table=energy/month=2026-01/v1.parquet", tmp_path / "back") == wanted
    assert (tmp_path / "back").read_bytes() == file.read_bytes()
    for _ in range(2):
        target.remove("site=mill/writer.json")
    assert target.files("site=mill") == ["site=mill/table=energy/month=2026-01/v1.parquet"]


def test_a_full_server(place: Server, tmp_path: Path) -> None:
    """Nothing of the file counts, the words say what to do, and with room it goes on."""
    target = place.target()
    target.put(some_file(tmp_path, 1000), "b/v1")  # the server chooses the disk with its first file
    filler = fill(tmp_path / "disk")
    with pytest.raises(StoreError, match=r"a/v1 cannot be written: .*; see that it has room"):
        target.put(some_file(tmp_path, 300_000), "a/v1")
    filler.unlink()
    assert [name for name in target.files("a") if not name.endswith(".partial")] == []
    target.put(some_file(tmp_path, 300_000), "a/v1")
    assert "a/v1" in target.files("a")


def test_a_server_that_goes_away_in_the_middle(place: Server, tmp_path: Path) -> None:
    """Said within the minute, without the password; then it cannot be reached."""
    target = place.target()
    target.put(some_file(tmp_path, 300_000), "a/v1")
    place.wire.most = place.wire.passed + 150_000
    with pytest.raises(StoreError, match="a/v2 cannot be written") as reported:
        target.put(some_file(tmp_path, 300_000), "a/v2")
    assert place.login.password not in str(reported.value)
    with pytest.raises(StoreError, match=r"cannot be (read|reached|listed)"):
        place.target().read("a/v1")


def test_a_wrong_key(place: Server) -> None:
    """Said by the server, without the key."""
    for login in (Login(place.login.username, "not-this-one"), Login("nobody", "not-this-one")):
        with pytest.raises(StoreError, match=r"the archive .*: .*cannot be (reached|listed)") as reported:
            ArchiveTarget(place.url, login).files("a")
        assert "not-this-one" not in str(reported.value)


def test_a_server_in_the_place_of_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By SFTP: its key is not the one that is known, so it is given no password."""
    (tmp_path / "files").mkdir()
    with server("sftp", tmp_path / "files", monkeypatch) as there:
        known = tmp_path / "home" / ".ssh" / "known_hosts"
        other = asyncssh.generate_private_key("ssh-ed25519").export_public_key().decode()
        for text in ("", f"[127.0.0.1]:{there.wire.port} {other}"):
            known.write_text(text, encoding="utf-8")
            with pytest.raises(StoreError, match=r"the key of the SFTP server .* is not known here; .*ssh-keyscan -p"):
                there.target()


@pytest.mark.parametrize("kind", KINDS)
def test_an_archive_goes_on_where_it_was_broken_off(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A site's months, the server away in the middle: afterwards all of it is there once, as in the store."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    plan, path = site_with_months(tmp_path)
    (tmp_path / "files").mkdir()
    with server(kind, tmp_path / "files", monkeypatch) as there:
        there.wire.most = 400_000
        with pytest.raises(StoreError):
            archive_months(plan, path, there.target(), NOW)
        assert there.wire.passed > 400_000
        with relay_again(kind, there, monkeypatch) as again:
            archive_months(plan, path, again.target(), NOW)
            assert archive_months(plan, path, again.target(), NOW) == [], "nothing twice"
            assert [month.month for month in newest_months(again.target(), "mill")] == ["2026-05", "2026-06"]
            compared = compare(path, plan.site, again.target())
            assert (compared.faults, compared.months) == ([], 2)
            names = again.target().files("site=mill/table=energy")
            assert len([name for name in names if name.endswith(".parquet")]) == 2


@contextmanager
def relay_again(kind: str, there: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """A new wire to the same server."""
    with relay(there.wire.to) as wire:
        if kind == "s3":
            monkeypatch.setenv("AWS_ENDPOINT_URL_S3", f"http://127.0.0.1:{wire.port}")
            yield Server(there.url, there.login, wire)
            return
        known = Path.home() / ".ssh" / "known_hosts"
        known.write_text(
            known.read_text(encoding="utf-8").replace(f":{there.wire.port}", f":{wire.port}"), encoding="utf-8"
        )
        yield Server(there.url.replace(f":{there.wire.port}", f":{wire.port}"), there.login, wire)
