"""The daemon feeds the database of its plan: readings and figures arrive, an outage is a finding, a restart repeats nothing."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.adapters.line_database import feed as line_feed
from meterd.adapters.line_database.feed import Waits
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import TrialClock
from meterd.app.daemon.daemon import Daemon
from meterd.core.model.periods import text
from tests.app.two_meters import BEGIN, HOUR, PLAN
from tests.brokers import free_port, until
from tests.databases import BUCKET, TOKEN, StrictFake

pytestmark = pytest.mark.slow


def plan_of(folder: Path, url: str) -> Path:
    """The plan of two meters that reads files and feeds a database."""
    (folder / "in").mkdir(exist_ok=True)
    (folder / "token").write_text(TOKEN)
    path = folder / "mill.toml"
    plan = PLAN.replace("embedded = true", f"embedded = true, port = {free_port()}")
    plan = plan.replace("gap_exact_s = 4800", "gap_exact_s = 4800, future_s = 40_000_000, close_after_s = 1")
    path.write_text(
        f'source = [{{ name = "files", protocol = "file", path = "in", poll_s = 0.2 }}]\n{plan}\n[line_store]\n'
        f'url = "{url}"\norg = "mill"\nbucket = "{BUCKET}"\ntoken_file = "token"\ncheck_s = 1\n'
    )
    return path


def write(folder: Path, first: int, hours: int) -> None:
    """One more file of readings on the hour."""
    lines = ["time,feed,f1"]
    lines += [f"{text(BEGIN + h * HOUR)},{1000 * h},{900 * h}" for h in range(first, first + hours)]
    (folder / "in" / f"{first:03d}.csv").write_text("\n".join(lines) + "\n")


@contextmanager
def running(plan: Path, folder: Path) -> Iterator[Daemon]:
    """The daemon of the plan, in a thread."""
    daemon = Daemon(load_plan(plan).site, folder / "s.sqlite", TrialClock(BEGIN))
    stop = threading.Event()
    worker = threading.Thread(target=daemon.run, args=(stop,))
    worker.start()
    try:
        yield daemon
    finally:
        stop.set()
        worker.join(20)
        assert not worker.is_alive()


def causes(daemon: Daemon) -> set[str]:
    """Causes of the open findings."""
    return set() if daemon.snapshot is None else {finding.cause for finding in daemon.snapshot.findings}


def test_the_daemon_feeds_its_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Registers and hourly energies get there; an outage is reported and made up for; a new start goes on where it was."""
    monkeypatch.setattr(line_feed, "AWAY_S", 0.0)
    monkeypatch.setattr(line_feed, "Waits", lambda: Waits(0.05, 0.2))
    fake = StrictFake()
    plan = plan_of(tmp_path, fake.url)

    def there(measurement: str) -> int:
        return sum(key.startswith(f"{measurement},") for key in fake.stored)

    write(tmp_path, 0, 30)
    with fake:
        with running(plan, tmp_path) as daemon:
            assert until(lambda: there("reading") == 60 and there("energy") >= 2 * 29 + 2, 30)
            fake.stop()
            write(tmp_path, 30, 30)
            assert until(lambda: "lines-store" in causes(daemon), 30)
            fake.start()
            assert until(lambda: there("reading") == 120 and "lines-store" not in causes(daemon), 30)
            assert until(lambda: there("balance") >= 59, 30)
        stored = dict(fake.stored)
        fake.requests.clear()
        with running(plan, tmp_path):
            write(tmp_path, 60, 2)
            assert until(lambda: there("reading") == 124, 30)
        sent = [item for request in fake.requests for item in request if item.startswith("reading")]
        assert len(sent) == 4
        assert {key: fake.stored[key] for key in stored} == stored
    key = f"energy,site=mill,point=f1,register=import,period=interval {BEGIN + 5 * HOUR}"
    assert fake.stored[key] == "energy_wh=900.0,quality=0.0,version=1.0"
