"""Meters at a real broker, each at its own period and phase, a daemon that reads them, and a plain subscriber."""

import json
import math
import random
import threading
import time
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho

from meterd.core.topics.message import parse
from tests.bench.rig import client

ROOMS = tuple(f"room-{i:02d}" for i in range(10))
JITTER = 0.03  # of a period
# what a row is made of, so that its value can be recalculated from what was sent
OF = {
    "site/draw": ("t1",),
    "pv/production": ("pv1", "pv2"),
    "pv/self-use": ("t1", "pv1", "pv2"),
    "pv/surplus": ("t1", "pv1", "pv2", *ROOMS),
}
NOT_OF_POWERS = frozenset(
    {"site/demand", "site/demand-projection", "site/demand-expected", "pv/self-consumption", "pv/self-sufficiency"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """How the meters send: periods in s, in turn over the meters, at once or at phases of their own; limits of the plan."""

    name: str
    periods_s: tuple[float, ...]
    together: bool
    limits: str = ""
    sample_s: int = 10
    feeders: int = 20  # beside a feed, two roofs and the rooms

    @property
    def points(self) -> tuple[str, ...]:
        """All meters."""
        return ("t1", "pv1", "pv2", *(f"q{i:02d}" for i in range(self.feeders)), *ROOMS)

    def period_of(self, place: int) -> float:
        """Seconds between two samples of a meter."""
        return self.periods_s[place % len(self.periods_s)]


def write_plan(case: Case, folder: Path, port: int) -> Path:
    """A feed, two roofs, feeders, and rooms with a load each that may draw what it likes."""
    parts = [
        f'site = {{ name = "{case.name}", zone = "UTC" }}\nlimits = {{ {case.limits} }}\n'
        f'broker = {{ host = "127.0.0.1", port = {port}, client_id = "meterd-{case.name}" }}\n'
        f'sharing = {{ mode = "on", sample_s = {case.sample_s}, overdraw_w = 1_000_000 }}\n'
        f'source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms", client_id = "{case.name}-in" }}]\n'
        'board = [{ name = "main", rating_kva = 400 }]\n'
    ]
    for point in case.points:
        role = {"t": "feed", "p": "pv"}.get(point[0], "feeder")
        parts.append(f'[[point]]\npoint = "{point}"\nrole = "{role}"\n')
        if point.startswith("room"):
            parts.append(f'[[consumer]]\nconsumer = "{point}-heater"\npoint = "{point}"\nmin_w = 500\nmax_w = 3000\n')
    parts.append(f'[[input]]\npoint = "*"\naddress = "{case.name}/{{point}}"\nfield = "/w"\nregister = "16.7.0"\n')
    parts.append('time_field = "/t"\n')
    path = folder / f"{case.name}.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


def power_w(point: str, at_s: float, pace_s: float, points: tuple[str, ...]) -> float:
    """What flows at a moment: every load and roof swings at its own pace, by up to hundreds of watts from sample to sample,
    and the feed is their difference.
    """
    if point == "t1":
        flows = {other: power_w(other, at_s, pace_s, points) for other in points if other != "t1"}
        return sum(flow if other[0] in "qr" else -flow for other, flow in flows.items())
    place = points.index(point)
    base, swing = (80_000.0, 9_000.0) if point.startswith("pv") else (2_000.0, 1_500.0)
    return base + swing * math.sin(2 * math.pi * at_s / (pace_s * (40 + 5 * place)) + place)


@dataclass
class Meters:
    """The meters of a case, in one thread; what each has sent stays: (ms, W)."""

    case: Case
    port: int
    seed: int = 1
    sent: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.sent = {point: [] for point in self.case.points}

    def run(self) -> None:
        """Send until `stop`; each sample is dated by its meter."""
        chance = random.Random(self.seed)
        begun = time.time()
        points = self.case.points
        phase = [0.0 if self.case.together else chance.uniform(0, self.case.period_of(i)) for i in range(len(points))]
        due = [begun + phase[i] for i in range(len(points))]
        count = [0] * len(points)
        with client(self.port) as out:
            while not self.stop.is_set():
                place = min(range(len(points)), key=due.__getitem__)
                if self.stop.wait(max(0.0, due[place] - time.time())):
                    return
                point, now_ms = points[place], round(time.time() * 1000)
                watts = round(power_w(point, now_ms / 1000, max(self.case.periods_s), points), 1)
                self.sent[point].append((now_ms, watts))
                out.publish(f"{self.case.name}/{point}", json.dumps({"t": now_ms, "w": watts}), qos=1)
                count[place] += 1
                period = self.case.period_of(place)
                regular = begun + phase[place] + count[place] * period + chance.uniform(0, JITTER * period)
                # where this machine stood still no meter makes up for it: samples closer than 250 ms are one to the daemon
                due[place] = max(regular, now_ms / 1000 + 0.9 * period)


@dataclass
class Listener:
    """A plain subscriber: every pack and bare number of a site, in order of arrival."""

    case: Case
    packs: dict[str, list[bytes]] = field(default_factory=dict)
    plain: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    before: dict[str, tuple[int, int]] = field(
        default_factory=dict
    )  # of each topic, packs and numbers not to be judged

    def begin(self) -> None:
        """Judge what is published from now on, and the last of what was before."""
        topics = {*list(self.packs), *list(self.plain)}
        self.before = {t: (len(self.packs.get(t, ())) - 1, len(self.plain.get(t, ())) - 1) for t in topics}

    def heard(self) -> bool:
        """Whether three samples of every meter have come back, so that the daemon knows how often each sends."""
        for point in self.case.points:
            newest = [parse(pack) for pack in self.packs.get(f"point/{point}/power", [])[-12:]]
            if len({parsed.at_ms for parsed in newest if parsed.value is not None}) < 3:
                return False
        return True

    def judged(self) -> tuple[dict[str, list[bytes]], dict[str, list[tuple[float, float]]]]:
        """Packs and bare numbers to be judged, by their topics."""
        packs = {t: some[max(self.before.get(t, (0, 0))[0], 0) :] for t, some in list(self.packs.items())}
        return packs, {t: some[max(self.before.get(t, (0, 0))[1], 0) :] for t, some in list(self.plain.items())}

    def attach(self, item: paho.Client) -> None:
        """Listen with this client."""
        item.on_message = self._hear
        item.subscribe(f"energy/{self.case.name}/#", qos=1)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        topic = message.topic.removeprefix(f"energy/{self.case.name}/")
        if topic.endswith("/plain"):
            self.plain.setdefault(topic.removesuffix("/plain"), []).append(
                (time.monotonic(), float(message.payload or b"nan"))
            )
        elif not topic.endswith("/time") and topic.split("/")[0] in (
            "site",
            "pv",
            "share",
            "sharing",
            "point",
            "board",
        ):
            self.packs.setdefault(topic, []).append(bytes(message.payload))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a subscriber saw: values, those that were invalid after the first good one, false zeros of the bare number, and
    those that are not of one round (with the first of them in words).
    """

    values: int
    invalid: dict[str, int]
    zeros: int
    mixed: int
    first: str
    apart_s: float


def judge(case: Case, listener: Listener, sent: Mapping[str, list[tuple[int, float]]]) -> Outcome:
    """Make every value again from what the meters sent: of each the sample nearest to the moment that it is stamped with."""
    invalid: dict[str, int] = {}
    values = mixed = 0
    text, apart_s = "", 0.0
    packs, plain = listener.judged()
    for topic, payloads in packs.items():
        if (
            topic in NOT_OF_POWERS
            or "/running/" in topic
            or "forecast" in topic  # of intervals that have closed, like energies
            or topic.endswith("-today")
            or topic.startswith("board/main/") != topic.endswith("loading")
        ):
            continue  # energies: this plan reads no register
        messages = [parse(payload) for payload in payloads]
        good = next((i for i, parsed in enumerate(messages) if parsed.value is not None), len(messages))
        lost = sum(parsed.value is None for parsed in messages[good:])
        if lost or good == len(messages):
            invalid[topic] = lost or -1  # never good
        # the first round may lack neighbours that were sent before the daemon had subscribed: it is judged from the next on
        known_ms = messages[good].at_ms + max(case.periods_s) * 1000 if good < len(messages) else 0.0
        for parsed in messages[good:]:
            if topic not in OF or parsed.value is None or parsed.at_ms < known_ms:
                continue
            values += 1
            again, apart = _again(topic, parsed.at_ms, sent)
            apart_s = max(apart_s, apart / 1000)
            two = case.together and len(case.periods_s) == 1 and apart > 500 * case.periods_s[0]
            if two or not math.isclose(parsed.value, again, abs_tol=0.01):
                mixed += 1
                text = text or f"{topic} {parsed.value} at {parsed.at_ms}, made again {again}, {apart} ms apart"
    surplus = [value for _, value in plain.get("pv/surplus", [])]
    begun = next((i for i, value in enumerate(surplus) if value > 0), 0)
    return Outcome(values, invalid, sum(value == 0 for value in surplus[begun:]), mixed, text, apart_s)


def _again(topic: str, at_ms: int, sent: Mapping[str, list[tuple[int, float]]]) -> tuple[float, int]:
    near = {point: _nearest(sent[point], at_ms) for point in OF[topic]}
    times = [item[0] for item in near.values()]
    draw = near["t1"][1] if "t1" in near else 0.0
    production = near["pv1"][1] + near["pv2"][1] if "pv1" in near else 0.0
    rooms = sum(max(item[1], 0.0) for point, item in near.items() if point.startswith("room"))
    value = {
        "site/draw": draw,
        "pv/production": production,
        "pv/self-use": production - min(max(-draw, 0.0), production),
        "pv/surplus": max(0.0, min(rooms - draw, production)),
    }[topic]
    return value, max(times) - min(times)


def _nearest(samples: list[tuple[int, float]], at_ms: int) -> tuple[int, float]:
    place = bisect_left(samples, (at_ms,))
    near = samples[max(0, place - 1) : place + 1]
    return min(near, key=lambda item: abs(item[0] - at_ms))
