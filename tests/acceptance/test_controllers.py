"""A hundred reference controllers as MQTT clients of a real broker, a daemon process, and a plant that answers them."""

import json
import random
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.simulator.controller import Client, Controller, serve
from meterd.core.model.periods import text
from tests.brokers import Mosquitto, until
from tests.programs import Program

COUNT, LOAD_W = 100, 1_500
BASE_W, PV_W = 20_000, 110_000  # 90 kW to share: 60 of the 100 loads
FITS = (PV_W - BASE_W) // LOAD_W
AGE_S, BEAT_S = 6, 2
UT_S = AGE_S + 2 * BEAT_S
DELAY_S = 2.0

PLAN = f"""
site = {{ name = "mill", zone = "UTC" }}
limits = {{ power_max_age_s = {AGE_S}, publish_every_s = {BEAT_S} }}
board = [{{ name = "north" }}]
broker = {{ host = "127.0.0.1", port = PORT }}
sharing = {{ mode = "on", sample_s = 1, delay_samples = 2, ramp_w_per_s = 10_000, release_s = 10, idle_s = 20 }}

[[source]]
name = "meters"
"""


def plan(folder: Path, port: int) -> Path:
    """The plan as one file: a feed, PV, a hundred rooms with one load each, all in three messages."""
    parts = [PLAN.replace("PORT", str(port))]
    roles = {"t1": "feed", "pv": "pv"}
    rooms = [f"room-{i:03d}" for i in range(COUNT)]
    for name in ("t1", "pv", *rooms):
        role = roles.get(name, "feeder")
        parts.append(f'[[point]]\npoint = "{name}"\nrole = "{role}"\n')
        where = f"plant/{name}" if name in roles else "plant/rooms"
        parts.append(
            f'[[input]]\npoint = "{name}"\nregister = "16.7.0"\nsource = "meters"\naddress = "{where}"\n'
            f'field = "/{name}"\nunit = "W"\ntime_field = "/time"\n'
        )
    for name in rooms:
        parts.append(
            f'[[consumer]]\nconsumer = "{name}-heater"\npoint = "{name}"\nmin_w = {LOAD_W}\nmax_w = {LOAD_W}\n'
            f'step_w = {LOAD_W}\ncan_take = "plant/can-take/{name}"\n'
        )
    path = folder / "mill.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


@dataclass
class Plant:
    """What the loads draw, the feed that follows from it, and the meters that tell it once a second."""

    port: int
    power: dict[str, float] = field(default_factory=dict)
    history: list[tuple[float, float]] = field(default_factory=list)  # monotonic second, flexible load in W
    stop: threading.Event = field(default_factory=threading.Event)

    def took(self, name: str, power: float) -> None:
        self.power[name] = power

    def flexible(self) -> float:
        return sum(list(self.power.values()))

    def run(self) -> None:
        link = Link(LinkSettings(client_id="plant", host="127.0.0.1", port=self.port, session_expiry_s=0))
        link.start()
        try:
            while not self.stop.wait(1.0 - time.time() % 1.0):
                draws = {f"room-{i:03d}": self.power.get(f"room-{i:03d}-heater", 0.0) for i in range(COUNT)}
                flexible = sum(draws.values())
                self.history.append((time.monotonic(), flexible))
                stamp = text(round(time.time() * 1000))
                for topic, values in (("t1", {"t1": BASE_W + flexible - PV_W}), ("pv", {"pv": PV_W}), ("rooms", draws)):
                    link.publish(f"plant/{topic}", json.dumps({**values, "time": stamp}).encode(), retain=False)
        finally:
            link.close()

    def since(self, begun_s: float) -> list[float]:
        return [power for at_s, power in list(self.history) if at_s >= begun_s]


@dataclass
class Daemon:
    """The daemon as a process."""

    plan: Path
    process: Program | None = None

    def start(self) -> None:
        self.process = Program(["run", str(self.plan)], self.plan.parent / "log")

    def kill(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    """A real broker."""
    with Mosquitto() as result:
        yield result


@pytest.fixture
def clients(broker: Mosquitto) -> list[Client]:
    """A hundred controllers, each a client of its own, each with its own delay."""
    return [
        Client(
            Controller(LOAD_W, least_w=LOAD_W, delay_s=DELAY_S, chance=random.Random(i)),
            "energy/mill",
            f"room-{i:03d}-heater",
            "127.0.0.1",
            broker.port,
            can_take_topic=f"plant/can-take/room-{i:03d}",
        )
        for i in range(COUNT)
    ]


@pytest.mark.slow
def test_hundred_controllers_settle_and_survive(broker: Mosquitto, clients: list[Client], tmp_path: Path) -> None:
    """They settle within two loads of what fits; after the broker's restart and the daemon's death nobody uses a dead value,
    nothing is imported for them, and they settle again.
    """
    plant = Plant(broker.port)
    daemon = Daemon(plan(tmp_path, broker.port))
    threads = [
        threading.Thread(target=plant.run),
        threading.Thread(target=serve, args=(clients, plant.stop.is_set, plant.took)),
    ]
    for thread in threads:
        thread.start()
    daemon.start()
    try:
        assert until(lambda: plant.flexible() >= (FITS - 2) * LOAD_W, 40.0), (tmp_path / "log").read_text()
        _steady(plant)
        _full_tanks_are_passed_over(plant, clients)
        broker.kill()
        broken = time.monotonic()
        assert until(lambda: plant.flexible() == 0, UT_S + DELAY_S + 5.0), "a dead value is used"
        assert until(lambda: not any(c.controller.following for c in clients), UT_S + DELAY_S), (
            "those with a share of 0"
        )
        assert time.monotonic() - broken >= UT_S / 2, "they left before their share was invalid"
        broker.start()
        begun = time.monotonic()
        assert until(lambda: plant.flexible() >= (FITS - 2) * LOAD_W, 60.0), (tmp_path / "log").read_text()
        _no_import(plant, begun)
        _steady(plant)
        daemon.kill()
        assert until(lambda: plant.flexible() == 0, UT_S + DELAY_S + 5.0), "the daemon is dead, its values are used"
        assert all(c.connected for c in clients)
        begun = time.monotonic()
        daemon.start()
        assert until(lambda: plant.flexible() >= (FITS - 2) * LOAD_W, 60.0), (tmp_path / "log").read_text()
        _no_import(plant, begun)
        _no_import(plant, 0.0)
    finally:
        plant.stop.set()
        daemon.kill()
        for thread in threads:
            thread.join(10.0)


def _steady(plant: Plant) -> None:
    """Six seconds without more than two loads of movement, and never more than fits and one load."""
    begun = time.monotonic()
    time.sleep(6.0)
    seen = plant.since(begun)
    assert max(seen) - min(seen) <= 2 * LOAD_W
    _no_import(plant, begun)


def _full_tanks_are_passed_over(plant: Plant, clients: list[Client]) -> None:
    """Thirty running loads say that they can take nothing: their shares go to others, long before `idle_s`."""
    full = [c for c in clients if c.controller.power_w > 0][:30]
    begun = time.monotonic()
    for client in full:
        client.controller.can_take_w = 0.0

    def others_run() -> bool:
        return plant.flexible() >= (FITS - 2) * LOAD_W and not any(plant.power[c.name] for c in full)

    assert until(others_run, 15.0), "idle_s is 20"
    _no_import(plant, begun)
    for client in full:
        client.controller.can_take_w = LOAD_W


def _no_import(plant: Plant, begun_s: float) -> None:
    assert max(plant.since(begun_s)) <= (FITS + 1) * LOAD_W
