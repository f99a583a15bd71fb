"""A site with closed months and jobs of the calendar, and a clock that can be set, for daemons in this process or another."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import job_calendar
from meterd.app.daemon.daemon import Daemon
from meterd.core.model.job_rules import stored_record
from meterd.core.model.plan import Notify
from meterd.core.model.schedule import JobRecord
from tests.app.two_meters import BEGIN, DAY, PLAN, fill

HOUR = 3_600_000
MARCH = BEGIN + 59 * DAY  # its first moment in Vienna: everything before is closed
SCHEDULE = """
allocation = [{ name = "lift", points = ["f1"], price = 0.3 }]
[schedule]
backup_folder = "copies"
documents_folder = "documents"
archive_url = "archive"
"""
LOOK_S = 0.2  # instead of half a minute


def site_with_jobs(folder: Path, schedule: str = SCHEDULE, days: float = 59) -> Path:
    """The plan with a port of its own, and January and February in its store."""
    path = folder / "mill.toml"
    fill(folder, days)
    plan = PLAN.replace("embedded = true", f"embedded = true, port = {free_port()}")
    path.write_text(plan + schedule, encoding="utf-8")
    return path


@dataclass(slots=True)
class SetClock(WallClock):
    """The clock of this machine, shown otherwise: it may be set while the daemon runs."""

    ahead_ms: int = 0
    _inner: WallClock = field(default_factory=WallClock)

    def now_ms(self) -> int:
        """The moment that is shown."""
        return self._inner.now_ms() + self.ahead_ms

    def offset_s(self) -> float:
        """Not reported."""
        return 0.0

    def doubt(self) -> str:
        """None."""
        return ""

    def steps_back(self) -> int:
        """Not reported: the periods are not what is tried."""
        return 0

    def set_by_ms(self) -> int:
        """Not reported either."""
        return 0

    def set(self, moment_ms: int) -> None:
        """Show another moment from now on."""
        self.ahead_ms += moment_ms - self.now_ms()


def record(path: Path, job: str) -> JobRecord | None:
    """What the store remembers of a job."""
    store = SqliteStore.reader(path)
    try:
        return stored_record(store.fact, job)
    finally:
        store.close()


def plan_with(path: Path, notify: Notify | None = None) -> Plan:
    """The plan, with a mail server."""
    plan = load_plan(path)
    return plan if notify is None else replace(plan, site=replace(plan.site, notify=notify))


def run_from(texts: Sequence[str]) -> int:
    """A daemon of a plan whose clock begins at a moment, for a process of its own: PLAN MOMENT SMTP-PORT."""
    job_calendar.LOOK_S = LOOK_S
    plan, clock = Path(texts[0]), SetClock()
    clock.set(int(texts[1]))
    mail = Notify(
        email_to=("duty@mill.example",), email_from="m@mill.example", smtp_host="127.0.0.1",
        smtp_port=int(texts[2]), smtp_security="none", wait_s=10**6,
    )  # fmt: skip
    Daemon(plan_with(plan, mail).site, plan.parent / "s.sqlite", clock).run(threading.Event())
    return 0
