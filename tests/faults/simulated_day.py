"""The shipped plan played through the running daemon, sample by sample: simulated meters, a real broker, loads that obey."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from meterd.adapters.mqtt.client import Link
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.faults import Fault
from meterd.adapters.simulator.physics import flexible
from meterd.adapters.simulator.run import DEFAULT_SEED, plan_path, summer_offset_ms
from meterd.adapters.simulator.site import Simulator
from meterd.core.model.periods import floor
from meterd.core.model.plan import Site
from tests.brokers import Mosquitto, until
from tests.faults.mill import Here, now_ms, publish, running, sending
from tests.faults.test_b_broker import BROKER, hearing

STEP_MS = 10_000


class StepClock:
    """Stands until it is moved: a day passes as fast as the daemon can decide."""

    def __init__(self, at_ms: int) -> None:
        self.at_ms = at_ms

    def now_ms(self) -> int:
        """The moment."""
        return self.at_ms

    def saw(self, at_ms: int) -> None:
        """Readings do not move it."""

    def doubt(self) -> str:
        """Nothing."""
        return ""

    def offset_s(self) -> float:
        """None."""
        return 0.0

    def steps_back(self) -> int:
        """Never."""
        return 0

    def set_by_ms(self) -> int:
        """Nobody sets it."""
        return 0

    def follow(self) -> None:
        """It does not jump."""


Obey = Callable[[str, float], float]


@dataclass(slots=True)
class SimulatedDay:
    """A daemon and its site. `obey` says what a consumer draws of its share."""

    site: Site
    here: Here
    clock: StepClock
    simulator: Simulator
    out: Link
    seen: dict[str, list[bytes]]
    obey: Obey = lambda _name, share: share
    draws: dict[str, float] = field(default_factory=dict)

    @property
    def root(self) -> str:
        """Of all topics."""
        return f"{self.site.prefix}/{self.site.name}"

    def step(self, more: list[tuple[str, bytes]] | None = None) -> None:
        """Ten seconds: meters send (and `more`), the daemon decides, the loads follow what they heard."""
        at_ms = self.simulator.next_ms
        self.clock.at_ms = at_ms
        publish(self.out, self.simulator.step(at_ms) + (more or []))
        until(lambda: self._decided_at() >= at_ms, 20)
        assert not self.here.failures, self.here.failures
        self._hear()
        for consumer in flexible(self.site):
            self.draws[consumer.name] = self.obey(consumer.name, self.share(consumer.name))
            self.simulator.give(consumer.name, self.draws[consumer.name])

    def _decided_at(self) -> int:
        shot = self.here.daemon.snapshot
        return 0 if shot is None or not shot.shares else max(share.at_ms for share in shot.shares.values())

    def _hear(self) -> None:
        """Until the topics say what was decided; a change of less than the plan's dead band need not come."""
        shot = self.here.daemon.snapshot
        shares = {} if shot is None else {name: share.power_w or 0 for name, share in shot.shares.items()}
        until(lambda: all(abs(self.share(name) - power) < 10 for name, power in shares.items()), 20)

    def share(self, consumer: str) -> float:
        """As published on /plain; 0 before there is any."""
        return float(self.seen.get(f"{self.root}/share/{consumer}/plain", [b"0"])[-1])

    def shares(self) -> dict[str, float]:
        """Of all consumers."""
        return {consumer.name: self.share(consumer.name) for consumer in self.site.consumers}

    def value(self, topic: str) -> float | None:
        """The newest number of a topic, or None while it is invalid."""
        records = json.loads(self.seen.get(f"{self.root}/{topic}", [b"[]"])[-1])
        return next((float(record["v"]) for record in records if "v" in record), None)


@contextmanager
def played(folder: Path, *faults: Fault, change: Callable[[Site], Site] = lambda site: site) -> Iterator[SimulatedDay]:
    """Harrow Mill at noon in June with its daemon; its store is `mill.sqlite` of the folder."""
    with Mosquitto(BROKER) as broker:
        site = load_plan(plan_path()).site
        site = replace(site, broker=replace(site.broker, embedded=False, host="127.0.0.1", port=broker.port))
        site = change(replace(site, page=replace(site.page, port=0)))
        begun_ms = floor(now_ms(), STEP_MS)
        offset_ms = summer_offset_ms(begun_ms, site.zone)
        simulator = Simulator(site, DEFAULT_SEED, faults, start_ms=begun_ms, world_offset_ms=offset_ms)
        clock = StepClock(begun_ms)
        root = f"{site.prefix}/{site.name}/#"
        with (
            hearing(broker, root) as seen,
            sending(broker.port) as out,
            running(site, folder / "mill.sqlite", clock) as here,
        ):
            service = f"{site.prefix}/{site.name}/service"
            assert until(lambda: b"live" in seen.get(service, [b""])[-1]), "the daemon does not publish"
            yield SimulatedDay(site, here, clock, simulator, out, seen)
