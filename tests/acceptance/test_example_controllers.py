"""The example controllers of config/controllers at a real broker and a daemon process: they follow, and they fall back."""

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.core.model.periods import text
from tests.brokers import Mosquitto, until

EXAMPLES = Path(__file__).parents[2] / "config" / "controllers"
ROOT = "energy/mill"
AGE_S, BEAT_S, DELAY_S = 4, 1, 1.0
UT_S = AGE_S + 2 * BEAT_S
BUSY_S = 30.0  # a machine under load takes its time; what is promised is judged by the daemon's own values
PLAN = f"""
site = {{ name = "mill", zone = "UTC" }}
limits = {{ power_max_age_s = {AGE_S}, publish_every_s = {BEAT_S} }}
board = [{{ name = "north" }}]
broker = {{ host = "127.0.0.1", port = PORT }}
sharing = {{ mode = "on", sample_s = 1, ramp_w_per_s = 10_000, release_s = 2, idle_s = 20 }}
source = [{{ name = "meters" }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "pv", role = "pv" }}, {{ point = "heater" }}]
consumer = [{{ consumer = "heater", point = "heater", min_w = 500, max_w = 2000, step_w = 100 }}]

[[input]]
point = "*"
register = "16.7.0"
source = "meters"
address = "plant/all"
field = "/{{point}}"
unit = "W"
time_field = "/time"
"""


class Plant:
    """The meters, once a second: PV of 8 kW, of which `export_w` goes out."""

    def __init__(self, port: int) -> None:
        self.export_w = 6000
        self._stop = threading.Event()
        self._link = Link(LinkSettings(client_id="plant", host="127.0.0.1", port=port, session_expiry_s=0))
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        self._link.start()
        while not self._stop.wait(1.0):
            values = {"t1": -self.export_w, "pv": 8000, "heater": 0, "time": text(round(time.time() * 1000))}
            self._link.publish("plant/all", json.dumps(values).encode(), retain=False)
        self._link.close()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()


class Example:
    """One of the scripts as a process; `newest` is the last line it has printed."""

    def __init__(self, name: str, port: int, *arguments: str) -> None:
        command = [sys.executable, str(EXAMPLES / f"{name}.py"), "127.0.0.1", str(port), ROOT, *arguments]
        self.newest = ""
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None, "a pipe was asked for"
        for line in self.process.stdout:
            self.newest = line.strip()

    def close(self) -> None:
        assert self.process.poll() is None, "an example ends only when it is told"
        self.process.kill()
        self.process.wait()
        self._thread.join()
        assert self.process.stdout is not None, "a pipe was asked for"
        self.process.stdout.close()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as result:
        yield result


def daemon(folder: Path, port: int) -> "subprocess.Popen[bytes]":
    """The daemon as a process."""
    path = folder / "mill.toml"
    path.write_text(PLAN.replace("PORT", str(port)), encoding="utf-8")
    command = [sys.executable, "-m", "meterd.app.cli.main", "run", str(path)]
    with (folder / "log").open("ab") as log:
        return subprocess.Popen(command, stdout=log, stderr=log)


@pytest.mark.slow
def test_examples_follow_the_daemon_and_fall_back_without_it(broker: Mosquitto, tmp_path: Path) -> None:
    """Surplus: on. No surplus: off. Killed, frozen, without broker: each takes its fallback, and follows again after it."""
    process = daemon(tmp_path, broker.port)
    plant = Plant(broker.port)
    short = (f"delay_s={DELAY_S}", f"valid_s={UT_S}")
    with ExitStack() as stack:
        stack.callback(lambda: process.wait())
        stack.callback(lambda: process.kill())
        stack.callback(plant.close)
        threshold = Example("threshold", broker.port, "3000", "least_s=0.5", *short)
        share = Example("share", broker.port, "heater", "123", *short)
        forecast = Example("forecast", broker.port, "3000", "4.5")
        for example in (threshold, share, forecast):
            stack.callback(example.close)

        def following() -> bool:
            shared = share.newest.endswith(" W") and share.newest not in ("0 W", "123 W")
            return threshold.newest == "on" and shared and forecast.newest == "heat: enough surplus"

        def fallen_back() -> bool:
            return (threshold.newest, share.newest) == ("off", "123 W")

        assert until(following, BUSY_S), (threshold.newest, share.newest, forecast.newest)
        plant.export_w = 0
        assert until(lambda: threshold.newest == "off" and share.newest == "0 W", BUSY_S)
        assert until(lambda: forecast.newest == "heat: no forecast", BUSY_S)  # a site without history has none
        plant.export_w = 6000
        assert until(following, BUSY_S)

        process.kill()  # the last will says "gone"
        assert until(fallen_back, BUSY_S), (threshold.newest, share.newest)
        process.wait()
        process = daemon(tmp_path, broker.port)
        assert until(following, 2 * BUSY_S), (threshold.newest, share.newest, forecast.newest)

        process.send_signal(signal.SIGSTOP)  # nothing says "gone": the values grow old
        assert until(fallen_back, UT_S + DELAY_S + BUSY_S), (threshold.newest, share.newest)
        process.send_signal(signal.SIGCONT)
        assert until(following, 2 * BUSY_S), (threshold.newest, share.newest, forecast.newest)

        broker.kill()
        assert until(fallen_back, UT_S + DELAY_S + BUSY_S), (threshold.newest, share.newest)
        broker.start()
        assert until(following, 2 * BUSY_S), (threshold.newest, share.newest, forecast.newest)
