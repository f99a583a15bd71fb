"""A small mill for the fault cases: its plan, its meters, a daemon as a child process or in this one, and its stored figures."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import Clock, WallClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.plan_reload import PlanFile
from meterd.app.operations.ledger import Ledger
from meterd.core.errors import StoreError
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period, starts
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from tests.brokers import crowd, until
from tests.programs import Program

ZONE = ZoneInfo("Europe/Vienna")
QUARTER, DAY = 900_000, 86_400_000
MAY = 1_777_852_800_000  # 2026-05-04 00:00 UTC, a Monday
POINTS = ("t1", "q01", "q02", "q03", "roof")
CHANNELS = [("t1", IMPORT), ("t1", EXPORT), ("q01", IMPORT), ("q02", IMPORT), ("q03", IMPORT), ("roof", IMPORT)]
PLAN = """\
site = {{ name = "mill", zone = "{zone}" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ {limits} }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms"{options} }}]
board = [{{ name = "main", rating_kva = 400 }}]
point = [
    {{ point = "t1", role = "feed" }},
    {{ point = "q01", rating_a = 63 }},
    {{ point = "q02", rating_a = 63 }},
    {{ point = "q03", rating_a = 63 }},
    {{ point = "roof", role = "pv" }},
]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e9 }}]
[[input]]
point = "*"
address = "m/{{point}}"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "16.7.0" = "/power" }}
[[input]]
point = "t1"
address = "m/t1"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "2.8.0" = "/export", "16.7.0" = "/power" }}
"""
FAR = "future_s = 40_000_000"  # for trials: readings are ahead of the time they carry on


def write_plan(folder: Path, port: int, *, limits: str = FAR, options: str = "", zone: str = "Europe/Vienna") -> Path:
    """The plan file of the mill in a folder."""
    folder.mkdir(exist_ok=True)
    path = folder / "mill.toml"
    path.write_text(PLAN.format(port=port, limits=limits, options=options, zone=zone), encoding="utf-8")
    return path


def site(
    port: int = 1883, *, limits: str = "", folder: Path | None = None, options: str = "", zone: str = "Europe/Vienna"
) -> Site:
    """The plan as the daemon sees it."""
    if folder is None:
        with tempfile.TemporaryDirectory() as made:
            return load_plan(write_plan(Path(made), port, limits=limits, options=options, zone=zone)).site
    return load_plan(write_plan(folder, port, limits=limits, options=options, zone=zone)).site


def message(at_ms: int, **values: float) -> bytes:
    """What a meter sends."""
    return json.dumps({"t": at_ms, **values}).encode()


def shown(minute: int) -> dict[str, dict[str, float]]:
    """What every meter shows at a minute of the trial: feeders of 6, 12 and 18 kW, 30 kW of sun, 6 kW back to the grid."""
    wh = {"q01": 100, "q02": 200, "q03": 300, "roof": 500}
    results: dict[str, dict[str, float]] = {p: {"import": 10_000 + w * minute} for p, w in wh.items()}
    results["t1"] = {"import": 50_000 + 120 * minute, "export": 7_000 + 20 * minute}
    return results


def minutes(count: int, *, start_ms: int = MAY, step: int = 1) -> list[tuple[str, bytes]]:
    """Topics and payloads of the registers of all meters, minute by minute."""
    sent = []
    for minute in range(0, count, step):
        for point, values in shown(minute).items():
            sent.append((f"m/{point}", message(start_ms + minute * 60_000, **values)))
    return sent


def as_readings(sent: list[tuple[str, bytes]]) -> list[Reading]:
    """The same as the core sees it."""
    registers = {"import": IMPORT, "export": EXPORT, "power": POWER}
    readings = []
    for topic, payload in sent:
        values = json.loads(payload)
        at_ms = values.pop("t")
        for name, value in values.items():
            whole = name != "power"
            point = topic.removeprefix("m/")
            readings.append(
                Reading(point, registers[name], at_ms, round(value * 1000) if whole else float(value), at_ms)
            )
    return readings


def sending(port: int, *, name: str = "meters-writer") -> Link:
    """The meters' connection to the broker."""
    return Link(LinkSettings(name, host="127.0.0.1", port=port, session_expiry_s=0, payload_limit=4_000_000))


def publish(out: Link, sent: list[tuple[str, bytes]]) -> None:
    """Send all, waiting for a broker that takes them slowly or is away; each once with QoS 1."""
    for topic, payload in sent:
        assert until(lambda t=topic, p=payload: out.publish(t, p), 30), "the broker does not take it"  # type: ignore[misc]
    assert until(lambda: out.unacknowledged() == 0, 30)


def stored_figures(path: Path, *, first_ms: int = MAY, until_ms: int = MAY + 2 * DAY) -> dict[str, object]:
    """The newest figure, balance and PV figure of every period, and the number of readings."""
    store = SqliteStore.reader(path)
    results: dict[str, object] = {"readings": store.reading_count()}
    for period in Period:
        grid = np.array(starts(period, first_ms - 400 * DAY, until_ms, ZONE, QUARTER), dtype=np.int64)
        columns = store.columns(CHANNELS, period, grid)
        results[period] = [c.tolist() for c in (columns.energy, columns.present, columns.flags)]
        results[f"balance {period}"] = store.balances("main", period, 0, until_ms)
        results[f"pv {period}"] = store.pv(period, 0, until_ms)
    store.close()
    return results


def interval_energies(store: SqliteStore, channel: tuple[str, str], first_ms: int, count: int) -> list[int | None]:
    """Newest interval energies of a register in mWh from a moment on; None = missing."""
    grid = first_ms + QUARTER * np.arange(count, dtype=np.int64)
    columns = store.columns([channel], Period.INTERVAL, grid)
    return [
        e if p else None for e, p in zip(columns.energy[:, 0].tolist(), columns.present[:, 0].tolist(), strict=True)
    ]


def reading_count(path: Path) -> int:
    """How many readings the journal holds at this moment; 0 before there is one."""
    try:
        store = SqliteStore.reader(path)
    except StoreError:
        return 0
    try:
        return store.reading_count()
    finally:
        store.close()


def open_findings(path: Path) -> dict[str, Finding]:
    """Findings that stand open in the store, by id."""
    try:
        store = SqliteStore.reader(path)
    except StoreError:
        return {}
    try:
        return {row.finding.id: row.finding for row in store.finding_tables.all() if row.state != "closed"}
    except sqlite3.OperationalError:  # it is just being created
        return {}
    finally:
        store.close()


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A disk of its own. Whoever is not root mounts it with sudo, as the set-up of the tests does."""
    disk = folder / "disk"
    disk.mkdir()
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    subprocess.run([*as_root, "mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run([*as_root, "umount", "-l", str(disk)], check=True)


def fill(disk: Path) -> Path:
    """Leave no room at all; the file that takes it."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)
    assert shutil.disk_usage(disk).free == 0
    return filler


class Child:
    """`meterd run` as a process of its own while the `with` block lasts."""

    def __init__(self, plan: Path, store: Path, *options: str, env: dict[str, str] | None = None) -> None:
        self.log = store.with_name(store.name + ".log")
        self._words = ["run", str(plan), "--store", str(store), *options]
        self._env = env
        self.process: Program | None = None

    def __enter__(self) -> "Child":
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.kill()

    def start(self) -> None:
        """Start a new process with what the last one left."""
        self.process = Program(self._words, self.log, env=self._env)

    @property
    def pid(self) -> int:
        """Process id."""
        assert self.process is not None, "start it first"
        return self.process.pid

    def signal(self, number: int) -> None:
        """Send a signal."""
        assert self.process is not None, "start it first"
        self.process.send_signal(number)

    def kill(self) -> None:
        """End without a word."""
        assert self.process is not None, "start it first"
        self.process.kill()
        self.process.wait(10 * crowd())

    def stop(self, limit_s: float = 15.0) -> int:
        """SIGTERM; the exit code."""
        self.signal(signal.SIGTERM)
        return self.wait(limit_s)

    def wait(self, limit_s: float = 15.0) -> int:
        """Exit code once it has ended."""
        assert self.process is not None, "start it first"
        return self.process.wait(limit_s * crowd())

    @property
    def runs(self) -> bool:
        """Whether it has not ended."""
        return self.process is not None and self.process.poll() is None

    def said(self) -> str:
        """Everything it wrote to the terminal."""
        return self.log.read_text(encoding="utf-8", errors="replace")


@dataclass(slots=True)
class Here:
    """A daemon in a thread of this process."""

    daemon: Daemon
    stop: threading.Event = field(default_factory=threading.Event)
    failures: list[BaseException] = field(default_factory=list)

    def findings(self) -> dict[str, Finding]:
        """Findings of the newest snapshot."""
        shot = self.daemon.snapshot
        return {} if shot is None else {finding.id: finding for finding in shot.findings}

    def has(self, name: str, limit_s: float = 30.0) -> bool:
        """Wait for a finding."""
        return until(lambda: name in self.findings(), limit_s)

    def examined(self) -> bool:
        """Whether the drift watch has looked at the history (there are smallest visible errors then) and says what it found."""
        shot = self.daemon.snapshot
        return self.daemon.visible_errors()[1] == "history" and shot is not None and shot.drift_look is DriftLook.DONE

    def looks(self, count: int) -> None:
        """Wait until the loop has looked at everything so many times more and shown it."""
        shown = self.daemon.counters.snapshots
        assert until(lambda: self.daemon.counters.snapshots >= shown + count, 60), "the loop stands"

    def run(self) -> None:
        """The thread."""
        try:
            self.daemon.run(self.stop)
        except BaseException as exc:
            self.failures.append(exc)


@contextmanager
def running(
    plan: Site, path: Path, clock: Clock | None = None, *, may_fail: bool = False, file: PlanFile | None = None
) -> Iterator[Here]:
    """A daemon while the `with` block lasts; it must end within its limit and without an exception."""
    here = Here(Daemon(plan, path, clock or WallClock(), file=file))
    thread = threading.Thread(target=here.run, name="daemon")
    thread.start()
    try:
        yield here
    finally:
        here.stop.set()
        thread.join((plan.limits.stop_limit_s + 5) * crowd())
        assert not thread.is_alive(), "the daemon did not stop"
    assert may_fail or not here.failures, here.failures


class StoreInFolder:
    """A store and its bookkeeper in a folder, without a process: for cases of the core and the journal."""

    def __init__(self, folder: Path, plan: Site | None = None, name: str = "s.sqlite") -> None:
        self.site = plan or site()
        self.path = folder / name
        self.open()

    def open(self) -> None:
        """Open again, as after a start."""
        self.store = SqliteStore.writer(self.path)
        self.ledger = Ledger(self.store, self.site, ZoneInfo(self.site.zone))

    def close(self) -> None:
        """End in order."""
        self.store.close()

    def feed(self, readings: list[Reading], now_ms: int | None = None) -> None:
        """One tick, and what it left for later; the moment is that of the newest reading unless given."""
        now = now_ms if now_ms is not None else max(r.at_ms for r in readings)
        self.ledger.tick(readings, now)
        while self.ledger.late_step(now, 0):
            pass


def now_ms() -> int:
    """The wall clock."""
    return time.time_ns() // 1_000_000
