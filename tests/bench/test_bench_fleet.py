"""Many daemons on one machine behind one broker, and the page that shows them all.

Each is a process of its own with its page, its meters send every 10 s. One is frozen for a while, one has a wrong clock, one
an older version, one a meter that counts half, three a meter that sends nothing. METERD_BENCH_MINUTES: how long; 5 unless
given. The short form that runs here has two sites for a few seconds.
"""

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import threading
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import MQTTMessageInfo

from tests.bench.rig import BROKER, STOP_LIMIT_S, child, client, cpu_s, memory_mb, module, wait_subscribed
from tests.bench.site import Wide
from tests.bench.table import Line
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import now_ms

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(6000)]

MINUTES = float(os.environ.get("METERD_BENCH_MINUTES", "5"))
REGISTERS = ("1.8.0", "16.7.0")
AHEAD_MS = 1_200_000
# a process that is older or has another time: what the command does from there on is the same
OTHER = """
import sys, time, meterd
version, ahead_ms, real = sys.argv.pop(1), int(sys.argv.pop(1)), time.time_ns
meterd.__version__ = version or meterd.__version__
time.time_ns = lambda: real() + ahead_ms * 1_000_000
from meterd.app.cli.main import main
sys.exit(main())
"""
FROZEN, WRONG_CLOCK, OLDER, HALF, SILENT = 3, 4, 5, 6, (7, 8, 9)  # places of sites that are not as the others


@dataclass(slots=True)
class SiteOfMany:
    """One site: its meters, its daemon, what was sent and what it took every minute."""

    place: int
    wide: Wide
    folder: Path
    broker: int
    page: int = field(default_factory=free_port)
    process: "subprocess.Popen[str] | None" = None
    sent: int = 0  # readings
    used_s: float = 0.0  # of processor, when it had started

    @property
    def plan(self) -> Path:
        """Its plan file."""
        return self.folder / f"{self.wide.site}.toml"

    @property
    def store(self) -> Path:
        """Its store."""
        return self.folder / f"{self.wide.site}.sqlite"

    @property
    def pid(self) -> int:
        """Process id of its daemon."""
        assert self.process is not None, "it was started"
        return self.process.pid

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """Its daemon while the block lasts; it must end in order."""
        path = self.wide.plan(self.folder, self.broker)
        text = path.read_text("utf-8").replace("limits = { ", "limits = { stale_after_s = 60, ", 1)
        path.write_text(f"{text}\n[page]\nport = {self.page}\n", encoding="utf-8")
        command = module("meterd.app.cli.main", "run", self.plan, "--store", self.store)
        if self.place in (WRONG_CLOCK, OLDER):
            version, ahead_ms = ("0.1.9", 0) if self.place == OLDER else ("", AHEAD_MS)
            command = [command[0], "-c", OTHER, version, str(ahead_ms), *command[3:]]
        with child(command) as self.process:
            last = self.wide.points - 1
            wait_subscribed(self.broker, *self.wide.messages(0, now_ms())[last])
            self.sent += len(REGISTERS)
            self.used_s = cpu_s(self.pid)
            yield
            self.process.send_signal(signal.SIGTERM)
            assert self.process.wait(STOP_LIMIT_S) == 0, f"the daemon of {self.wide.site} ends in order"

    def messages(self, step: int) -> list[tuple[str, bytes]]:
        """What its meters send at a step."""
        results = self.wide.messages(step, now_ms())
        if self.place == HALF:
            results[4] = (results[4][0], self.wide.payload(4, step // 2, now_ms(), self.wide.power_w(4, step)))
        return results[:-1] if self.place in SILENT and step > 3 else results

    def kept(self) -> int:
        """Readings in its journal."""
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as db:
            return int(db.execute("SELECT COUNT(*) FROM reading").fetchone()[0])


@dataclass(slots=True)
class Sender:
    """The meters of all sites, in one thread: each site at its own phase of the period."""

    sites: Sequence[SiteOfMany]
    broker: int
    period_s: float
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Send until `stop`; whatever was begun is confirmed then."""
        begun, confirmed = time.monotonic(), list[MQTTMessageInfo]()
        due = [(i * self.period_s / len(self.sites), 1, i) for i in range(len(self.sites))]
        with client(self.broker) as out:
            while True:
                at_s, step, place = min(due)
                if self.stop.wait(max(0.0, begun + at_s - time.monotonic())):
                    break
                due[place] = (at_s + self.period_s, step + 1, place)
                site = self.sites[place]
                confirmed = [out.publish(topic, payload, qos=1) for topic, payload in site.messages(step)]
                site.sent += len(REGISTERS) * len(confirmed)
            for message in confirmed:
                message.wait_for_publish(30)


def pss_mb(pid: int) -> float:
    """Its own memory and its part of what it shares with others, in MB (10^6 bytes)."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise AssertionError(f"the kernel tells no PSS of process {pid}")


def asked(address: str) -> Any:
    """A JSON answer."""
    with urllib.request.urlopen(address, timeout=60) as answer:
        return json.load(answer)


@contextlib.contextmanager
def fleet_page(plans: Sequence[Path]) -> Iterator[tuple[str, int]]:
    """Address of the page of these plans, and its process id, while the block lasts."""
    port = free_port()
    with child(module("meterd.app.cli.main", "fleet", "--page", "--port", port, *plans)) as process:
        address = f"http://127.0.0.1:{port}/api/fleet"

        def answers() -> bool:
            with contextlib.suppress(OSError):
                return bool(asked(address))
            return False

        assert until(answers), "the page answers"
        yield address, process.pid
        process.send_signal(signal.SIGTERM)
        assert process.wait(STOP_LIMIT_S) == 0, "the page ends in order"


def look(sites: Sequence[SiteOfMany], address: str, page: int, *, minute: float, begun: float) -> dict[str, Any]:
    """What the page says now; memory and processor of each daemon and of the page are printed."""
    fleet: dict[str, Any] = asked(address)
    rss, pss = [memory_mb(site.pid) for site in sites], [pss_mb(site.pid) for site in sites]
    share = [(cpu_s(site.pid) - site.used_s) / (time.monotonic() - begun) for site in sites]
    print(
        f"{minute:5.1f} min, load {os.getloadavg()[0]:.1f}: RSS {min(rss):.0f} to {max(rss):.0f} MB, PSS {min(pss):.0f}"
        f" to {max(pss):.0f} MB, core {min(share):.2%} to {max(share):.2%}; page {memory_mb(page):.0f} MB; "
        + ", ".join(f"{row['site']}: {row['state']}/{row['balance']}/{row['worst_cause']}" for row in fleet["sites"])
        + f"; shared: {[(item['cause'], item['instruments'], item['sites']) for item in fleet['shared']]}",
        flush=True,
    )
    return fleet


def states(fleet: dict[str, Any]) -> dict[str, str]:
    """State of each site on the page."""
    return {row["site"]: row["state"] for row in fleet["sites"]}


def test_fifteen_daemons_share_a_machine(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Nothing is lost, each has less than 110 MB of its own, and the page tells apart what is wrong with which."""
    count, limit_s, period_s = (15, MINUTES * 60, 10.0) if full else (2, 6.0, 2.0)
    with Mosquitto(BROKER) as broker, ExitStack() as stack:
        sites = [
            SiteOfMany(
                i, Wide(20 + 3 * i // 2, REGISTERS, site=f"mill-{i:02d}", root=f"m{i:02d}"), tmp_path, broker.port
            )
            for i in range(count)
        ]
        for site in sites:
            stack.enter_context(site.running())
        address, page = stack.enter_context(fleet_page([site.plan for site in sites]))
        sender = Sender(sites, broker.port, period_s)
        thread = threading.Thread(target=sender.run)
        thread.start()
        stack.callback(thread.join)
        stack.callback(sender.stop.set)
        begun, frozen, seen = time.monotonic(), 0, list[dict[str, str]]()
        freeze_s, thaw_s = limit_s * 0.6, limit_s * 0.8
        while (passed := time.monotonic() - begun) < limit_s:
            sender.stop.wait(min(60.0 if limit_s > 600 else 20.0, limit_s - passed))
            passed = time.monotonic() - begun
            fleet = look(sites, address, page, minute=passed / 60, begun=begun)
            seen.append(states(fleet))
            if full and not frozen and freeze_s < passed < thaw_s:
                frozen = sites[FROZEN].pid
                os.kill(frozen, signal.SIGSTOP)
            elif frozen and passed > thaw_s:
                os.kill(frozen, signal.SIGCONT)
        sender.stop.set()
        thread.join()
        assert until(lambda: [site.kept() for site in sites] == [site.sent for site in sites], 120), [
            (site.wide.site, site.kept(), site.sent) for site in sites
        ]
        fleet = look(sites, address, page, minute=(time.monotonic() - begun) / 60, begun=begun)
        rss, pss = max(memory_mb(site.pid, "VmHWM") for site in sites), max(pss_mb(site.pid) for site in sites)
        share = max((cpu_s(site.pid) - site.used_s) / (time.monotonic() - begun) for site in sites)
        page_mb = memory_mb(page, "VmHWM")
    note = f"{limit_s / 60:.0f} min, {sum(site.sent for site in sites):,} readings sent and kept"
    name = f"{count} sites of {sites[0].wide.points} to {sites[-1].wide.points} points every {period_s:.0f} s, each at most"
    figures = f"{rss:.0f}; {pss:.0f} MB; {share:.1%}"
    report.append(Line("fleet", f"{name}: RSS (peak); PSS; core", figures, aim="< 110 MB", note=note))
    report.append(Line("fleet", "the page of them, RSS (peak)", f"{page_mb:.0f} MB"))
    assert len(fleet["sites"]) == count
    assert fleet["troubles"] == []
    assert pss < 110, "each stays below 110 MB of its own"
    if full:
        assert rss < 110, "also with what it shares with others"
        _tells_apart(fleet, seen)


def _tells_apart(fleet: dict[str, Any], seen: list[dict[str, str]]) -> None:
    rows = {row["site"]: row for row in fleet["sites"]}
    assert {now[f"mill-{FROZEN:02d}"] for now in seen} & {"silent", "gone"}
    assert rows[f"mill-{FROZEN:02d}"]["state"] == "live"
    assert rows[f"mill-{WRONG_CLOCK:02d}"]["state"] == "clock"
    assert abs(rows[f"mill-{WRONG_CLOCK:02d}"]["clock_ahead_s"] - AHEAD_MS / 1000) < 30
    assert [name for name, row in rows.items() if row["older_version"]] == [f"mill-{OLDER:02d}"]
    others = {name for name, row in rows.items() if row["state"] == "live"} - {f"mill-{FROZEN:02d}"}
    assert others == {f"mill-{i:02d}" for i in range(15)} - {f"mill-{i:02d}" for i in (FROZEN, WRONG_CLOCK)}
    silent = [f"mill-{place:02d}" for place in SILENT]
    assert [item["sites"] for item in fleet["shared"] if item["cause"] == "stale"] == [silent]
