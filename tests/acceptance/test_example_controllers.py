"""The example controllers of config/controllers at a real broker and a daemon process: they follow, and they fall back.

Those in Python and those in C, each by MQTT 3.1.1 and by MQTT 5.
"""

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
from meterd.app.cli.main import main
from meterd.core.model.periods import DAY_MS, floor, text
from tests.brokers import Mosquitto, until

EXAMPLES = Path(__file__).parents[2] / "config" / "controllers"
ROOT = "energy/mill"
KINDS = ("threshold", "share", "forecast")
AGE_S, BEAT_S, DELAY_S = 4, 1, 1.0
UT_S = AGE_S + 2 * BEAT_S
QUARTER_MS = 900_000
BUSY_S = 60.0  # a machine under load takes its time; what is promised is judged by the daemon's own values
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


REGISTERS = """
[[input]]
point = "*"
source = "meters"
address = "plant/all"
time_field = "/time"
fields = { "1.8.0" = "/{point}-import-wh" }

[[input]]
point = "t1"
source = "meters"
address = "plant/all"
time_field = "/time"
fields = { "1.8.0" = "/t1-import-wh", "2.8.0" = "/t1-export-wh", "16.7.0" = "/t1" }
"""


def shown(at_ms: int) -> dict[tuple[str, str], int]:
    """Registers in Wh, which rise as if PV gave 8 kW and 6 kW of it went out day and night."""
    quarters = (at_ms - 1_700_000_000_000) / QUARTER_MS
    rises = {("t1", "import"): 0, ("t1", "export"): 1500, ("pv", "import"): 2000, ("heater", "import"): 0}
    return {register: round(wh * quarters) for register, wh in rises.items()}


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
            now_ms = round(time.time() * 1000)
            registers = {f"{point}-{way}-wh": wh for (point, way), wh in shown(now_ms).items()}
            values = {"t1": -self.export_w, "pv": 8000, "heater": 0, "time": text(now_ms), **registers}
            self._link.publish("plant/all", json.dumps(values).encode(), retain=False)
        self._link.close()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()


class Example:
    """One of the examples as a process; `newest` is the last line it has printed."""

    def __init__(self, *command: str) -> None:
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


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The examples in C as programs. (Needs a compiler and libmosquitto: `.ci/setup --tests`.)"""
    folder = tmp_path_factory.mktemp("examples")
    for name in KINDS:
        texts = ("-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O2", "-o", str(folder / name))
        done = subprocess.run(
            ["cc", *texts, str(EXAMPLES / "c" / f"{name}.c"), "-lmosquitto"],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
    return folder


def daemon(folder: Path, port: int, *, more: str = "") -> "subprocess.Popen[bytes]":
    """The daemon as a process; `more` is added to its plan."""
    path = folder / "mill.toml"
    path.write_text(PLAN.replace("PORT", str(port)) + more, encoding="utf-8")
    command = [sys.executable, "-m", "meterd.app.cli.main", "run", str(path)]
    with (folder / "log").open("ab") as log:
        return subprocess.Popen(command, stdout=log, stderr=log)


def examples(compiled: Path, port: int, stack: ExitStack) -> dict[str, list[Example]]:
    """Those of each kind: in Python and in C, by MQTT 3.1.1 and by MQTT 5."""
    where, delay, valid = ("127.0.0.1", str(port), ROOT), str(DELAY_S), str(UT_S)
    python = {
        "threshold": ("3000", "least_s=0.5", f"delay_s={delay}", f"valid_s={valid}"),
        "share": ("heater", "123", f"delay_s={delay}", f"valid_s={valid}"),
        "forecast": ("3000", "4.5", f"valid_s={valid}"),
    }
    c = {
        "threshold": ("3000", "{version}", delay, valid, "0.5"),
        "share": ("heater", "123", "{version}", delay, valid),
        "forecast": ("3000", "{version}", valid),
    }
    commands = {
        kind: [
            *(
                (sys.executable, str(EXAMPLES / f"{kind}.py"), *where, *python[kind], f"mqtt={v}")
                for v in ("3.1.1", "5")
            ),
            *((str(compiled / kind), *where, *(word.format(version=v) for word in c[kind])) for v in ("4", "5")),
        ]
        for kind in KINDS
    }
    results = {kind: [Example(*command) for command in commands[kind]] for kind in KINDS}
    for example in [example for kind in results.values() for example in kind]:
        stack.callback(example.close)
    return results


class Watch:
    """What all examples say."""

    def __init__(self, running: dict[str, list[Example]]) -> None:
        self._running = running

    def said(self) -> dict[str, list[str]]:
        """The last line of each."""
        return {kind: [example.newest for example in of_kind] for kind, of_kind in self._running.items()}

    def following(self) -> bool:
        """Whether all act on values of now: the storage on the surplus."""
        output = self.said()
        shared = all(line.endswith(" W") and line not in ("0 W", "123 W") for line in output["share"])
        return shared and set(output["threshold"]) == {"on"} and set(output["forecast"]) == {"heat: enough surplus"}

    def fallen_back(self) -> bool:
        """Whether all take what they do on their own; the storage heats by the grid, or waits while a forecast counts."""
        output = self.said()
        alone = "heat: enough surplus" not in output["forecast"]
        return alone and set(output["threshold"]) == {"off"} and set(output["share"]) == {"123 W"}


@pytest.mark.slow
def test_examples_follow_the_daemon_and_fall_back_without_it(broker: Mosquitto, compiled: Path, tmp_path: Path) -> None:
    """Surplus: on. No surplus: off. Killed, frozen, without broker: each takes its fallback, and follows again after it."""
    process = daemon(tmp_path, broker.port)
    plant = Plant(broker.port)
    with ExitStack() as stack:
        stack.callback(lambda: process.wait())
        stack.callback(lambda: process.kill())
        stack.callback(plant.close)
        watch = Watch(examples(compiled, broker.port, stack))

        assert until(watch.following, BUSY_S), watch.said()
        plant.export_w = 0
        none = {"threshold": ["off"] * 4, "share": ["0 W"] * 4, "forecast": ["heat: no forecast"] * 4}
        assert until(lambda: watch.said() == none, BUSY_S), watch.said()  # a site without history has no forecast
        plant.export_w = 6000
        assert until(watch.following, BUSY_S), watch.said()

        process.kill()  # the last will says "gone"
        assert until(watch.fallen_back, BUSY_S), watch.said()
        process.wait()
        process = daemon(tmp_path, broker.port)
        assert until(watch.following, 2 * BUSY_S), watch.said()

        process.send_signal(signal.SIGSTOP)  # nothing says "gone": the values grow old
        assert until(watch.fallen_back, UT_S + DELAY_S + BUSY_S), watch.said()
        process.send_signal(signal.SIGCONT)
        assert until(watch.following, 2 * BUSY_S), watch.said()

        broker.kill()
        assert until(watch.fallen_back, UT_S + DELAY_S + BUSY_S), watch.said()
        broker.start()
        assert until(watch.following, 2 * BUSY_S), watch.said()


@pytest.mark.slow
def test_a_storage_waits_for_the_sun_that_a_forecast_promises(
    broker: Mosquitto, compiled: Path, tmp_path: Path
) -> None:
    """Four days of 6 kW to spare, none now: it waits, and heats when the daemon that gave the forecast is dead."""
    plan = tmp_path / "mill.toml"
    plan.write_text(PLAN.replace("PORT", str(broker.port)) + REGISTERS, encoding="utf-8")
    end_ms = floor(round(time.time() * 1000), QUARTER_MS)
    lines, codes = ["time,point,register,value"], {"import": "1.8.0", "export": "2.8.0"}
    for at_ms in range(end_ms - 4 * DAY_MS, end_ms + 1, QUARTER_MS):
        lines += [f"{text(at_ms)},{point},{codes[way]},{wh}" for (point, way), wh in shown(at_ms).items()]
    (tmp_path / "old.csv").write_text("\n".join(lines), encoding="utf-8")
    assert main(["replay", str(plan), str(tmp_path / "old.csv"), "--into", str(tmp_path / "mill.sqlite")]) == 0

    process = daemon(tmp_path, broker.port, more=REGISTERS)
    plant = Plant(broker.port)
    with ExitStack() as stack:
        stack.callback(process.wait)
        stack.callback(process.kill)
        stack.callback(plant.close)
        plant.export_w = 0
        watch = Watch(examples(compiled, broker.port, stack))
        assert until(lambda: set(watch.said()["forecast"]) == {"wait for the sun"}, 2 * BUSY_S), watch.said()
        process.kill()
        assert until(lambda: set(watch.said()["forecast"]) == {"heat: no forecast"}, BUSY_S), watch.said()
