"""Run the simulated site in real time (or faster) against a broker, and watch it in the terminal."""

import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.live import Live

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.simulator.site import Simulator
from meterd.adapters.simulator.summary import Rates, line, render
from meterd.core.errors import ConfigError
from meterd.core.model.periods import from_ms, to_ms
from meterd.core.model.snapshot import Snapshot

DEFAULT_SEED = 16  # clouds pass, the surplus comes and goes, every balance is inside its band
DEFAULT_PLAN = "harrow-mill"
LONGEST_WAIT_S = 0.5  # how long a stop may go unnoticed
LINE_EVERY_S = 10.0  # in a pipe
REFRESH_PER_S = 2.0
SHOW = datetime(2026, 6, 13, 11, 30, tzinfo=UTC)  # a Saturday; the zone of the site replaces UTC
PUBLISHER = "meterd-demo-meters"

Publish = Callable[[str, bytes], bool]
View = Callable[[], tuple[Snapshot | None, Rates]]


def plan_path(name: str = DEFAULT_PLAN) -> Path:
    """The example plan: packaged beside this file in an installation, in config/ in a checkout.

    Raises ConfigError when it is in neither.
    """
    packaged = Path(str(files("meterd.adapters.simulator"))) / name
    checkout = Path(__file__).parents[3] / "config" / name
    for place in (packaged, checkout):
        if place.exists():
            return place
    raise ConfigError(f"the example plan {name} is missing from this installation; install meterd again")


@dataclass(frozen=True, slots=True)
class Pace:
    """Simulated time: it was `start_ms` at the monotonic second `begun_s` and runs `speed` times as fast."""

    start_ms: int
    speed: float
    begun_s: float

    def now_ms(self) -> int:
        """The simulated moment, milliseconds since 1970 UTC. Serves as the wall clock of a daemon that plays along."""
        return self.start_ms + round((time.monotonic() - self.begun_s) * 1000.0 * self.speed)

    def wait_s(self, until_ms: int) -> float:
        """Real seconds until a simulated moment, 0 if it is over."""
        return max(0.0, (until_ms - self.now_ms()) / 1000.0 / self.speed)


def set_pace(start_ms: int, speed: float = 1.0) -> Pace:
    """A pace that begins now; ConfigError for a speed that is not positive."""
    if not 0.0 < speed <= 3600.0:
        raise ConfigError(f"cannot simulate at speed {speed:g}; use more than 0 and at most 3600 (an hour in a second)")
    return Pace(start_ms, speed, time.monotonic())


def zone_of_late_morning(now_ms: int, zone: str) -> str:
    """A zone in which it is late morning now: the one of the plan if it is, else the one whose clock is there to the half hour.

    The world of a demonstration begins at SHOW; days, nights and "today so far" only make sense if the clock agrees.
    """
    here = from_ms(now_ms).astimezone(ZoneInfo(zone))
    if 10 <= here.hour < 13:
        return zone
    east = round(11.5 - here.astimezone(UTC).hour - here.minute / 60)  # hours; names of Etc count to the west
    return f"Etc/GMT{-east:+d}" if east else "Etc/GMT"


def summer_offset_ms(now_ms: int, zone: str) -> int:
    """World offset that makes a late Saturday morning in June of the present moment, in local time.

    A demonstration at midnight in winter then still has sun, passing clouds and a surplus; and as the world begins at
    the same moment of the zone of the shipped plan every time, DEFAULT_SEED has the same weather every time.
    """
    return to_ms(SHOW.replace(tzinfo=ZoneInfo(zone))) - now_ms


def publish_simulation(publish: Publish, simulator: Simulator, pace: Pace, stop: threading.Event) -> int:
    """Send what the simulated meters send, when they send it, until `stop` is set; returns how many were not taken.

    Notices the stop within half a second and between any two messages. What the broker does not take is lost, as with
    a real meter: the next register reading heals it.
    """
    lost = 0
    while not stop.is_set():
        for topic, message in simulator.step(min(pace.now_ms(), simulator.next_ms)):
            lost += not publish(topic, message)
            if stop.is_set():
                return lost
        stop.wait(min(pace.wait_s(simulator.next_ms), LONGEST_WAIT_S))
    return lost


def publish_to(host: str, port: int, simulator: Simulator, pace: Pace, stop: threading.Event) -> int:
    """`publish_simulation` with a link of its own to the broker at host and port; waits for the first connection."""
    link = Link(LinkSettings(client_id=PUBLISHER, host=host, port=port, session_expiry_s=0, stop_limit_s=1.0))
    link.start()
    try:
        while not link.connected() and not stop.wait(0.05):
            pass
        return publish_simulation(link.publish, simulator, pace, stop)
    finally:
        link.close()


def subscribe_line(prefix: str, site: str, port: int, host: str = "127.0.0.1") -> str:
    """How to look at all derived values with a command-line MQTT client."""
    return f"mosquitto_sub -V mqttv5 -h {host} -p {port} -t '{prefix}/{site}/#' -v"


def watch(view: View, stop: threading.Event, *, broker_line: str, console: Console | None = None) -> None:
    """Show the live summary until `stop` is set: redrawn in place in a terminal, one plain line per 10 s in a pipe."""
    screen = console or Console(file=sys.stdout)
    if not screen.is_terminal:
        _lines(view, stop, screen)
        return
    with Live(console=screen, refresh_per_second=REFRESH_PER_S, transient=False) as live:
        while not stop.wait(1.0 / REFRESH_PER_S):
            snapshot, rates = view()
            if snapshot is not None:
                live.update(render(snapshot, rates, broker_line))


def _lines(view: View, stop: threading.Event, screen: Console) -> None:
    while True:
        over = stop.wait(LINE_EVERY_S)
        snapshot, rates = view()
        if snapshot is not None:
            screen.print(line(snapshot, rates), markup=False, highlight=False, soft_wrap=True)
        if over:
            return
