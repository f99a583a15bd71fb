"""A forecast from outside through the running daemon: taken in over a broker, given weight after a week, let go, refused."""

import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.web_backend import served
from meterd.app.operations.ledger import Ledger
from meterd.core.model.forecast import OutsideQuantity, Quantity
from meterd.core.model.periods import DAY_MS, HOUR_MS
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.topics.senml import resolve
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import Here, publish, running, sending

BEGIN = 1_777_593_600_000  # 2026-05-01 00:00 UTC
BEFORE, QUARTER = 16, 900_000  # days of history before the daemon starts
TOPIC = "energy/mill/pv/forecast"
STEP_H = 12  # between two forecasts from outside, and two looks at the daemon's
PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
page = {{ port = {page} }}
limits = {{ future_s = 40_000_000, gap_exact_s = 900 }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "main" }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "roof", role = "pv" }}]
[forecast]
topic = "weather/roof"
quantity = "power"
unit = "kW"
field = "/hours/power"
time_field = "/hours/time"
[[input]]
point = "t1"
address = "m/t1"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "2.8.0" = "/export" }}
[[input]]
point = "roof"
address = "m/roof"
time_field = "/t"
fields = {{ "1.8.0" = "/import" }}
"""


def powers(days: int) -> tuple[np.ndarray, np.ndarray]:
    """PV under clouds that stay for some hours and are others each day, and a load, in W for each quarter hour."""
    slots = np.arange(days * 96)
    sun = np.clip(np.sin(2 * np.pi * (slots % 96) / 96 - np.pi / 2), 0, None)
    clouds = np.repeat(np.random.default_rng(5).uniform(0.2, 1.0, days * 6), 16)
    return 20_000 * sun * clouds, 6000 + 3000 * np.sin(2 * np.pi * slots / 96) ** 2


PV, LOAD = powers(BEFORE + 20)
REGISTERS = {
    ("t1", IMPORT): np.maximum(LOAD - PV, 0),
    ("t1", EXPORT): np.maximum(PV - LOAD, 0),
    ("roof", IMPORT): PV,
}
SHOWN = {channel: 1000 + np.concatenate(([0], np.cumsum(np.round(watt / 4)))) for channel, watt in REGISTERS.items()}


def history(path: Path, site: Site) -> None:
    """The store as a daemon has left it after some days."""
    readings = [
        Reading(point, register, BEGIN + n * QUARTER, 1000 * int(shown[n]), BEGIN + n * QUARTER)
        for n in range(BEFORE * 96 + 1)
        for (point, register), shown in SHOWN.items()
    ]
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    ledger.tick(readings, BEGIN + BEFORE * DAY_MS + 61_000)
    while ledger.late_step(BEGIN + BEFORE * DAY_MS + 61_000, 0):
        pass
    store.close()


def said(slot: int, factor: float = 1.0) -> bytes:
    """The forecast from outside as of a slot, by the hour for two days and a half, in kW."""
    hours = [n for n in range(slot // 4, slot // 4 + 60) if n * 4 + 4 <= len(PV)]
    times = [(BEGIN + n * HOUR_MS) for n in hours]
    power = [round(float(PV[n * 4 : n * 4 + 4].mean()) / 1000 * factor, 3) for n in hours]
    return json.dumps({"hours": {"time": times, "power": power}}).encode()


def meters(first: int, last: int) -> list[tuple[str, bytes]]:
    """What the meters send at the ends of these slots, and a minute after the last one, so that it is over."""
    rows = []
    for n in range(first, last + 1):
        shown = {f"{point}/{register}": int(values[n]) for (point, register), values in SHOWN.items()}
        for extra in (0, 61_000) if n == last else (0,):
            t = BEGIN + n * QUARTER + extra
            feed = {"t": t, "import": shown[f"t1/{IMPORT}"], "export": shown[f"t1/{EXPORT}"]}
            rows.append(("m/t1", json.dumps(feed).encode()))
            rows.append(("m/roof", json.dumps({"t": t, "import": shown[f"roof/{IMPORT}"]}).encode()))
    return rows


class Site26:
    """The daemon with its broker, its page and a listener of the published forecast."""

    def __init__(self, here: Here, port: int, page: int, path: Path) -> None:
        self.here, self.path, self.page, self.port = here, path, page, port
        self.out = sending(port)
        self.slot = BEFORE * 96

    def go_on(self, factor: float | None = 1.0) -> None:
        """Twelve hours: the forecast from outside first, if there is one, then the meters."""
        if factor is not None:
            self.say(said(self.slot, factor))
        publish(self.out, meters(self.slot + 1, self.slot + STEP_H * 4))
        self.slot += STEP_H * 4
        moment = BEGIN + self.slot * QUARTER
        assert until(lambda: self.issued_ms() >= moment, 60), "no forecast"

    def say(self, payload: bytes) -> None:
        """A message with a forecast, and the wait until the daemon has taken it over."""
        before = self.here.daemon.counters.deliveries
        assert until(lambda: self.out.publish("weather/roof", payload, retain=True), 30)
        assert until(lambda: self.here.daemon.counters.deliveries > before, 30), "it did not come"

    def course(self, quantity: Quantity) -> tuple[int | None, ...]:
        """The middle of the newest forecast."""
        shot = self.here.daemon.snapshot
        assert shot is not None
        assert shot.forecast is not None
        course = shot.forecast.of(quantity)
        assert course is not None
        return course.middle

    def published(self) -> list[float | None]:
        """The middle of the newest forecast as a reader of the topic has it."""
        inbox = MessageQueue(100)
        link = Link(LinkSettings("reader", host="127.0.0.1", port=self.port), topics=(TOPIC,), inbox=inbox)
        link.start()
        try:
            (message, *_) = inbox.get_all(10, 30.0)
        finally:
            link.close()
        return [record.value for record in resolve(message.payload) if record.name.endswith("pv/forecast:p50")]

    def _ready(self) -> bool:
        with suppress(httpx.HTTPError):
            return httpx.get(f"http://127.0.0.1:{self.page}/ready", timeout=5).status_code == 200
        return False

    def issued_ms(self) -> int:
        """Of the newest forecast."""
        shot = self.here.daemon.snapshot
        return 0 if shot is None or shot.forecast is None else shot.forecast.issued_ms

    def outside(self) -> dict[str, object]:
        """What the page says of it."""
        assert until(self._ready, 60), "no page"
        answer = httpx.get(f"http://127.0.0.1:{self.page}/api/pv", timeout=60).json()
        assert answer["forecast"] is not None
        result: dict[str, object] = answer["forecast"]["outside"]
        return result


@pytest.fixture
def mill(tmp_path: Path) -> Iterator[Site26]:
    with Mosquitto() as broker:
        page = free_port()
        plan = tmp_path / "mill.toml"
        plan.write_text(PLAN.format(port=broker.port, page=page), encoding="utf-8")
        site, path = load_plan(plan).site, tmp_path / "mill.sqlite"
        history(path, site)
        with running(site, path, TrialClock(BEGIN + BEFORE * DAY_MS + 61_000)) as here, served(here.daemon):
            made = Site26(here, broker.port, page, path)
            made.out.start()
            try:
                yield made
            finally:
                made.out.close()


def errors(path: Path, quantity: Quantity, from_ms: int) -> float:
    """The mean error within a day by day of the forecasts that were given out since, in W."""
    store = SqliteStore.reader(path)
    rows = store.forecasts.between(quantity, from_ms, from_ms + 30 * DAY_MS)
    store.close()
    pairs = [
        (PV[(at - BEGIN) // QUARTER + lead], watt)
        for at, _, course in rows
        for lead, watt in enumerate(course.middle[:96])
        if watt is not None and (at - BEGIN) // QUARTER + lead < len(PV)
    ]
    assert len(rows) > 5
    return float(np.mean([abs(came - watt) for came, watt in pairs if came > 0]))


@pytest.mark.slow
def test_a_good_one_is_used_after_a_week_and_one_that_lies_is_let_go(mill: Site26) -> None:
    """Its kW become W, its hours quarter hours; when it says a twentieth of the power, it is let go."""
    for _ in range(6 * 2):
        mill.go_on()
    young = mill.outside()
    assert (young["quantity"], young["weights"], young["least_days"]) == ("power", [0.0] * 4, 7)
    for _ in range(2 * 2):
        mill.go_on()
    good = BEGIN + mill.slot * QUARTER
    for _ in range(3 * 2):
        mill.go_on()
    used = mill.outside()
    now_ms = BEGIN + mill.slot * QUARTER
    assert now_ms - STEP_H * HOUR_MS < used["known_ms"] <= now_ms  # type: ignore[operator]
    assert used["weights"][1] > 0.5, used  # type: ignore[index]
    assert errors(mill.path, Quantity.PV, good) < 0.7 * errors(mill.path, Quantity.PV_OWN, good)
    for _ in range(6 * 2):
        mill.go_on(0.05)
    assert mill.outside()["weights"][:3] == [0.0, 0.0, 0.0]  # type: ignore[index]
    assert len(mill.published()) == 192
    own = mill.course(Quantity.PV_OWN)[:24]
    assert until(lambda: tuple(mill.published()[:24]) == own, 60), "the topic follows the snapshot"
    assert mill.course(Quantity.PV)[:24] == own
    page = httpx.get(f"http://127.0.0.1:{mill.page}/pv", timeout=60).text
    assert "Forecast from outside (PV power): newest known since" in " ".join(page.split())


@pytest.mark.slow
def test_what_is_refused_says_why_and_nothing_waits_for_it(mill: Site26) -> None:
    """Text, NaN, a time that is over, another unit, half a list: the forecast goes on, one finding names the reason."""
    mill.go_on()
    mill.say(
        said(mill.slot)
    )  # known with the next interval that closes: at the end of the test it is younger than 12 hours
    for payload, message in (
        (b"sunny", "no valid JSON"),
        (b'{"hours": {"time": [1, 2], "power": [NaN, 1]}}', "no valid JSON"),
        (
            b'{"hours": {"time": ["2026-04-01T00:00:00Z", "2026-04-01T01:00:00Z"], "power": [1, 2]}}',
            "nothing of it lies ahead",
        ),
        (b'{"hours": {"time": ["2027-04-01T00:00:00Z"], "power": [1, 2]}}', "2 values and 1 times"),
        (
            b'{"hours": {"time": ["2026-05-20T00:00:00Z", "2026-05-20T01:00:00Z"], "power": [1, 2e9]}}',
            "is not between 0 and",
        ),
        (b'{"hours": {"time": ["2026-05-20T00:00:00Z", "2026-05-20T01:00:00Z"], "power": [1, "2"]}}', "quotes"),
    ):
        publish(mill.out, [("weather/roof", payload)])

        def told(message: str = message) -> bool:
            finding = mill.here.findings().get("forecast-refused-mill")
            return finding is not None and message in finding.text

        assert until(told, 30), (message, mill.here.findings())
    mill.go_on(None)
    outside = mill.outside()
    assert outside["known_ms"] is not None  # the sound one before them still counts


@pytest.mark.slow
def test_a_topic_on_which_nothing_comes_any_more_is_a_finding(mill: Site26) -> None:
    """Found by a sender that was off: only the page said so. It is over with the next forecast that comes."""
    mill.go_on()
    assert "forecast-silent-mill" not in mill.here.findings()
    for _ in range(2):
        mill.go_on(None)
    assert until(lambda: "forecast-silent-mill" in mill.here.findings(), 30), mill.here.findings()
    finding = mill.here.findings()["forecast-silent-mill"]
    assert finding.text.startswith("mill: no forecast from outside has come on weather/roof since 2026-")
    assert "sender" in finding.remedy
    mill.go_on()
    assert until(lambda: "forecast-silent-mill" not in mill.here.findings(), 30), mill.here.findings()


@pytest.mark.slow
def test_a_restart_keeps_what_was_known_and_a_repeated_message_is_no_newer(tmp_path: Path) -> None:
    """The broker repeats the retained message; the store holds it once."""
    with Mosquitto() as broker:
        plan = tmp_path / "mill.toml"
        plan.write_text(PLAN.format(port=broker.port, page=free_port()), encoding="utf-8")
        site, path = load_plan(plan).site, tmp_path / "mill.sqlite"
        history(path, site)
        out = sending(broker.port)
        out.start()
        assert until(lambda: out.publish("weather/roof", said(BEFORE * 96), retain=True), 30)
        slot = BEFORE * 96
        for _ in range(2):
            site = replace(site, page=replace(site.page, port=free_port()))
            with running(site, path, TrialClock(BEGIN + slot * QUARTER + 61_000)) as here:
                made = Site26(here, broker.port, site.page.port, path)
                made.out.start()
                made.slot = slot
                assert until(lambda: here.daemon.counters.deliveries > 0, 30)
                made.go_on(None)
                made.out.close()
                slot = made.slot
        store = SqliteStore.reader(path)
        stored = store.forecasts.outside(OutsideQuantity.POWER, BEGIN, BEGIN + 60 * DAY_MS)
        store.close()
        out.close()
    assert len(stored) == 1
    two = BEFORE * 96 + 56  # 14 o'clock
    first = two - (stored[0].known_ms - BEGIN) // QUARTER
    assert stored[0].values[first : first + 4] == (round(float(PV[two : two + 4].mean())),) * 4
