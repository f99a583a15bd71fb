"""`meterd demo`: an embedded broker, the simulated Harrow Mill and the daemon, in one process."""

import argparse
import re
import shutil
import socket
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.simulator.controller import Client, Controller, serve
from meterd.adapters.simulator.faults import Fault, check_faults, fault_table, in_history, parse_fault
from meterd.adapters.simulator.history import collect, history
from meterd.adapters.simulator.instruments import Levels
from meterd.adapters.simulator.physics import flexible
from meterd.adapters.simulator.run import (
    DEFAULT_SEED,
    Pace,
    plan_path,
    publish_to,
    set_pace,
    subscribe_line,
    summer_offset_ms,
    watch,
    zone_of_late_morning,
)
from meterd.adapters.simulator.site import Simulator
from meterd.adapters.simulator.summary import CAUTION, Rates
from meterd.adapters.store.opening import open_to_write
from meterd.app.cli.output import duration_s
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import served
from meterd.app.operations.ledger import Ledger
from meterd.core.errors import ConfigError, MeterdError
from meterd.core.model.periods import DAY_MS, floor
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot

EARLIER_MS = 3_600_000  # so much of the past is simulated before the start, so that closed quarter hours can be seen
MOST_DAYS = 800  # of history before that
STEP_S = 300  # of that history: boundaries between readings five minutes apart count as read, not as estimated
COARSE_DAYS, COARSE_S = 60, 900  # longer histories have a reading a quarter hour: a year is made in minutes
COARSE_EXACT_S = COARSE_S + 5  # clocks of meters put a reading within some seconds of a boundary, which counts as read
BEFOREHAND_MS = 60_000  # readings of the past are stored in ticks of this length


class DemoClock:
    """The simulated moment as the daemon's clock."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace

    def now_ms(self) -> int:
        """The simulated moment."""
        return self._pace.now_ms()

    def saw(self, at_ms: int) -> None:
        """Readings do not move this clock."""

    def doubt(self) -> str:
        """Nothing: simulated time does not jump."""
        return ""

    def offset_s(self) -> float:
        """None that matters: a demo may begin at any time."""
        return 0.0

    def steps_back(self) -> int:
        """Never."""
        return 0

    def set_by_ms(self) -> int:
        """Nobody sets it."""
        return 0

    def follow(self) -> None:
        """It does not jump."""


class Meter:
    """Message rates of the daemon, for the summary."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._last = (time.monotonic(), 0, 0)
        self._rates = Rates()

    def view(self) -> tuple[Snapshot | None, Rates]:
        """The last snapshot and the rates since the last look."""
        received, published = self._daemon.counters.readings, self._daemon.published()
        now = time.monotonic()
        since, before_in, before_out = self._last
        if now - since >= 1.0:
            span = now - since
            self._rates = Rates((received - before_in) / span, (published - before_out) / span, received, published)
            self._last = (now, received, published)
        return self._daemon.snapshot, self._rates


def run_demo(arguments: argparse.Namespace, stop: threading.Event) -> int:
    """Run until `stop` is set or the time is over; the exit code is 0 unless the daemon could not work."""
    if arguments.list_faults:
        sys.stdout.write(fault_table() + "\n")
        return 0
    limit_s = duration_s(arguments.duration)
    now_ms = WallClock().now_ms()
    if not 0 <= arguments.days <= MOST_DAYS:
        raise ConfigError(f"cannot use --days {arguments.days}: write 0 to {MOST_DAYS}")
    planted = [parse_fault(word) for word in arguments.fault]
    check_faults(load_plan(plan_path()).site, planted)
    in_history(planted, arguments.days)
    # a silent half minute looks like a hang
    made = f"{arguments.days} days of history are made first" if arguments.days else "no history is made"
    print(f"Harrow Mill, a simulated site, is starting: {made}, which takes up to a minute.", flush=True)
    site = _site_for(arguments.store, now_ms, coarse=arguments.days > COARSE_DAYS)
    begin_ms = floor(now_ms - EARLIER_MS, site.interval_s * 1000)  # the interval in which history ends has no figure
    faults = tuple(_planted(word, (now_ms - begin_ms) / 1000) for word in arguments.fault)
    site = replace(
        site,
        broker=replace(site.broker, embedded=True, host="127.0.0.1", port=arguments.port or free_port()),
        page=replace(site.page, port=arguments.page_port or _page_port(site.page.port)),
    )
    seed = DEFAULT_SEED if arguments.seed is None else arguments.seed
    earlier = in_history(faults, arguments.days)
    with tempfile.TemporaryDirectory(prefix="meterd-demo-") as folder:
        path = arguments.store or Path(folder) / f"{site.name}.sqlite"
        world = _world(site)
        offset_ms = summer_offset_ms(now_ms, world.zone)
        past = (begin_ms, arguments.days, offset_ms)
        stand = _live_long_ago(site, seed, path, when=past, faults=earlier) if arguments.days else None
        simulator = Simulator(world, seed, faults, start_ms=begin_ms, world_offset_ms=offset_ms, stand=stand)
        _live_the_past(site, simulator, path, now_ms)
        return _live(site, simulator, path, stop=stop, timing=(set_pace(now_ms, arguments.speed), limit_s))


def _site_for(store: Path | None, now_ms: int, *, coarse: bool) -> Site:
    """The site, in a zone where it is late morning; a store that stays gets its plan beside it for the commands.

    A store that is there already keeps its zone: its days have been closed by it.
    """
    plan = plan_path()
    site = load_plan(plan).site
    zone = zone_of_late_morning(now_ms, site.zone)
    if store is None:
        limits = replace(site.limits, gap_exact_s=COARSE_EXACT_S) if coarse else site.limits
        return replace(site, zone=zone, limits=limits)
    path = store.with_suffix(".plan")
    if not path.exists():
        shutil.copytree(plan, path)
        file = path / "site.toml"
        text = file.read_text(encoding="utf-8")
        text = re.sub(r'^zone = "[^"]*"', f'zone = "{zone}"', text, count=1, flags=re.M)
        if coarse:
            text = text.replace("[limits]\n", f"[limits]\ngap_exact_s = {COARSE_EXACT_S}\n", 1)
        file.write_text(text, encoding="utf-8")
    return load_plan(path).site


def _planted(word: str, before_s: float) -> Fault:
    """A fault of the command line: a START from 0 on counts from now; without START it lies in the time lived before now."""
    planted = parse_fault(word)
    return replace(planted, start_s=planted.start_s + before_s) if "@" in word and planted.start_s >= 0 else planted


def _world(site: Site) -> Site:
    """What is simulated keeps the clock of the shipped plan, so that weather and habits of a seed are the same at every hour."""
    return replace(site, zone=load_plan(plan_path()).site.zone)


def _page_port(wanted: int) -> int:
    """The port of the plan, or a free one while somebody has that."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", wanted))
        except OSError:
            return free_port()
    return wanted


def _live_long_ago(
    site: Site, seed: int, path: Path, *, when: tuple[int, int, int], faults: tuple[Fault, ...]
) -> Levels:
    """Some days before the moment at which the demo begins, with the faults of that time; where the registers stand then.

    `when` is that moment, the number of days, and the shift of sun and habits against the clock.
    """
    begin_ms, days, offset_ms = when
    stand: list[Levels] = []
    first_ms = begin_ms - days * DAY_MS
    blocks = history(
        _world(site),
        seed,
        first_ms,
        begin_ms,
        step_s=STEP_S if days <= COARSE_DAYS else COARSE_S,
        faults=faults,
        world_offset_ms=offset_ms,
        faults_from_ms=begin_ms,
        stand=stand,
    )
    with open_to_write(path) as store:
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        for channel, series in collect(blocks).items():
            ledger.import_history(channel, series.at_ms, np.asarray(series.values, dtype=np.int64), begin_ms)
        ledger.recompute_all(begin_ms, begin_ms)
    return stand[0]


def _live_the_past(site: Site, simulator: Simulator, path: Path, now_ms: int) -> None:
    with open_to_write(path) as store:
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        moment = simulator.start_ms
        while moment < now_ms:
            moment = min(moment + BEFOREHAND_MS, now_ms)
            ledger.tick(simulator.readings(moment), moment)


def _live(
    site: Site, simulator: Simulator, path: Path, *, stop: threading.Event, timing: tuple[Pace, float | None]
) -> int:
    pace, limit_s = timing
    daemon = Daemon(site, path, DemoClock(pace))
    failures: list[MeterdError] = []

    def work() -> None:
        try:
            daemon.run(stop)
        except MeterdError as exc:
            failures.append(exc)
            stop.set()

    def send() -> None:
        publish_to("127.0.0.1", site.broker.port, simulator, pace, stop)

    line = subscribe_line(site.prefix, site.name, site.broker.port)
    print(
        f"{site.title}: {len(site.points)} points, all simulated, with the sun of a day in June and the date of today,"
        f" in {site.zone}, where it is late morning."
    )
    if path.with_suffix(".plan").exists():
        print(f"Ask it from another terminal: meterd energy {path.with_suffix('.plan')} --store {path}")
    print(f"Look at the derived values with\n  {line}\n{CAUTION}", flush=True)

    def obey() -> None:
        """The flexible loads of the site: one reference controller each, clients of the same broker."""
        serve(_controllers(site), stop.is_set, simulator.give)

    jobs = (work, send, obey) if site.sharing.mode == "on" else (work, send)
    threads = [threading.Thread(target=job, name=job.__name__) for job in jobs]
    for thread in threads:
        thread.start()
    ender = threading.Timer(limit_s, stop.set) if limit_s is not None else None
    if ender is not None:
        ender.daemon = True
        ender.start()
    try:
        with served(daemon) as address:
            if address:
                print(f"Look at the page: {address}", flush=True)
            watch(Meter(daemon).view, stop, broker_line=line)
    finally:
        stop.set()  # whatever ended the watching ends the rest
        for thread in threads:
            thread.join()
        if ender is not None:
            ender.cancel()
    for failure in failures:
        raise failure
    return 0


def _controllers(site: Site) -> list[Client]:
    root = f"{site.prefix}/{site.name}"
    return [
        Client(
            Controller(
                most_w=float(consumer.max_w),
                fallback_w=float(consumer.fallback_w),
                least_w=float(consumer.min_w),
                min_on_s=float(consumer.min_on_s),
                min_off_s=float(consumer.min_off_s),
            ),
            root,
            consumer.name,
            "127.0.0.1",
            site.broker.port,
        )
        for consumer in flexible(site)
    ]
