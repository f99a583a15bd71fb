"""Words to the service manager arrive on its socket; without one, or with a deaf one, nothing happens."""

import socket
from pathlib import Path

import pytest

from meterd.adapters.runtime.sd_notify import ALIVE, READY, tell


@pytest.mark.parametrize("abstract", [False, True])
def test_words_arrive_in_one_datagram(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool) -> None:
    """A socket in the file system, and one of the abstract name space."""
    name = f"@meterd-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name.replace("@", "\0"))
        manager.settimeout(2)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        assert tell(READY, "STATUS=all well")
        assert manager.recv(1000) == b"READY=1\nSTATUS=all well"


def test_nobody_who_listens_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither without the variable nor with a socket that has gone."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not tell(ALIVE)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not tell(ALIVE)
