"""Work in a process of its own: it answers, is ended, is late, dies - and never outlives its parent."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from meterd.app.operations.child_process import Child
from meterd.core.errors import StoreError
from tests.brokers import until

pytestmark = pytest.mark.slow
ANSWERS = """
import json, os, time
def answer(asked):
    words = asked.decode()
    if words == "die":
        os._exit(3)
    if words == "fail":
        raise ValueError("no such thing")
    if words.startswith("sleep"):
        open(words.partition(" ")[2], "w").write(str(os.getpid()))
        time.sleep(600)
    return json.dumps({"said": words, "nice": os.nice(0)}).encode()
"""


@pytest.fixture(autouse=True)
def _module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "some_answers.py").write_text(ANSWERS, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))


def asked(text: str, limit_s: float = 60.0) -> object:
    """What the child says."""
    return Child("some_answers", limit_s, late="ask for less").ask(text.encode())


def test_it_answers_at_low_priority() -> None:
    """What it says is JSON."""
    answer = asked("Grüße")
    assert isinstance(answer, dict)
    assert answer["said"] == "Grüße"
    assert answer["nice"] >= 10


@pytest.mark.parametrize(("text", "reason"), [("die", "the process ended"), ("fail", "no such thing")])
def test_one_that_dies_says_why(text: str, reason: str) -> None:
    """As far as it can."""
    with pytest.raises(StoreError, match=reason):
        asked(text)


def test_one_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    """With a word what to do."""
    with pytest.raises(StoreError, match="longer than 2 s; ask for less"):
        asked(f"sleep {tmp_path / 'pid'}", 2.0)


def test_it_is_ended_from_another_thread(tmp_path: Path) -> None:
    """Also before it has begun."""
    child = Child("some_answers", 60.0, late="")
    pid = tmp_path / "pid"
    threading.Thread(target=lambda: until(pid.exists, 60) and child.end()).start()
    with pytest.raises(StoreError, match="the process ended"):
        child.ask(f"sleep {pid}".encode())
    with pytest.raises(StoreError, match="the process ended"):
        child.ask(b"again")


def test_it_ends_with_its_parent(tmp_path: Path) -> None:
    """Also when that is killed."""
    pid = tmp_path / "pid"
    script = f"from meterd.app.operations.child_process import Child; Child('some_answers', 600.0, late='').ask(b'sleep {pid}')"
    parent = subprocess.Popen(
        [sys.executable, "-c", script], env={**os.environ, "PYTHONPATH": f"{os.getcwd()}{os.pathsep}{tmp_path}"}
    )
    assert until(lambda: pid.exists() and pid.read_text(), 60)
    parent.kill()
    parent.wait(30)
    assert until(lambda: not _lives(int(pid.read_text())), 30)


def _lives(number: int) -> bool:
    try:
        return Path(f"/proc/{number}/stat").read_text().split()[2] != "Z"
    except OSError:
        time.sleep(0)
        return False
