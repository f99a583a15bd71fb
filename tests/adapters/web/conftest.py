"""A running demo with planted faults, and a browser to look at it."""

import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile

DAYS = 16
FAULTS = ("reversed-ct:bakery-ovens", "silent:lifts-north")  # what a person must find on the page
PASSWORD = "climbing at dawn"
CHROMIUM = "/usr/bin/chromium"
# one process for all pages: by default each of them starts its own (measured: half of the browser's processor)
ONE_PROCESS = (
    "--renderer-process-limit=1",
    "--process-per-site",
    "--disable-site-isolation-trials",
    "--disable-gpu",
    "--in-process-gpu",
)


@dataclass(frozen=True)
class Mill:
    """The demo of Harrow Mill: its page, its store, and a user per role (password PASSWORD)."""

    address: str
    store: Path


@pytest.fixture(scope="package")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mill]:
    """Harrow Mill after 16 days, running, with a reversed current transformer and a silent meter."""
    store = tmp_path_factory.mktemp("mill") / "harrow-mill.sqlite"
    users = UserFile(store.with_name(store.name + ".users"))
    for role in (UserRole.LOOK, UserRole.ACKNOWLEDGE, UserRole.CHANGE):
        users.keep(str(role), role, PASSWORD)
    command = [sys.executable, "-m", "meterd.app.cli.main", "demo", "--days", str(DAYS), "--store", str(store)]
    command += ["--page-port", str(free_port())]  # two such demos may begin at once
    for fault in FAULTS:
        command += ["--fault", fault]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None, "a pipe was asked for"
        try:
            address, texts = "", []
            for line in process.stdout:
                texts.append(line)
                if (match := re.search(r"page: (http://\S+)", line)) is not None:
                    address = match[1]
                if address and " north " in line:
                    break  # the first snapshot has been made
            assert address, "".join(texts)
            assert process.poll() is None, "".join(texts)
            threading.Thread(target=process.stdout.read, daemon=True).start()  # a full pipe would stop the demo
            yield Mill(address.rstrip("/"), store)
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                raise


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """A real browser without a screen."""
    with sync_playwright() as tools:
        result = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", *ONE_PROCESS])
        yield result
        result.close()
