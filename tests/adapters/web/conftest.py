"""A running demo with planted faults, and a browser to look at it."""

import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from tests.brokers import crowd, until
from tests.programs import Program

DAYS = 16
FAULTS = ("reversed-ct:bakery-ovens", "silent:lifts-north")  # what a person must find on the page
PASSWORD = "climbing at dawn"
CHROMIUM = "/usr/bin/chromium-headless-shell"  # the same engine without windows takes half the processor
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
    texts = ["demo", "--days", str(DAYS), "--store", str(store), "--page-port", str(free_port())]
    output = store.with_name("demo.log")
    with ended(Program([*texts, *(word for fault in FAULTS for word in ("--fault", fault))], output)) as process:
        assert until(lambda: process.poll() is not None or " north " in page_of(output)[1], 240), page_of(output)
        address, shown = page_of(output)  # the first snapshot has been made
        assert address, shown
        assert process.poll() is None, shown
        yield Mill(address, store)


@contextmanager
def ended(process: Program) -> Iterator[Program]:
    """A demo while the block lasts; it must end in order."""
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(20 * crowd())
        except subprocess.TimeoutExpired:
            process.kill()
            raise


def page_of(output: Path) -> tuple[str, str]:
    """The address of the page that a demo names, empty before, and what it has said since."""
    text = output.read_text(encoding="utf-8")
    match = re.search(r"page: (http://\S+?)/?\s", text)
    return (match[1], text[match.end() :]) if match else ("", "")


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """A real browser without a screen."""
    with sync_playwright() as tools:
        result = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", *ONE_PROCESS])
        yield result
        result.close()
