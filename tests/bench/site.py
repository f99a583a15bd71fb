"""A site for benches: one feed, photovoltaics, the rest feeders, every register exactly in balance."""

import json
from dataclasses import dataclass
from pathlib import Path

from meterd.core.model.periods import text

START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
RATE = 1_000_000  # messages a second: the daemon's own brake is not what is measured
FIELDS = {"1.8.0": "import_wh", "2.8.0": "export_wh", "16.7.0": "power_w"}


@dataclass(frozen=True, slots=True)
class Wide:
    """How many points, which registers, how far apart in time their readings are."""

    points: int
    registers: tuple[str, ...] = ("1.8.0", "2.8.0", "16.7.0")
    step_ms: int = 10_000
    group: int = 1  # points of one message, as a gateway sends them
    swing_w: int = 0  # powers rise by so much for nine readings, then begin again
    site: str = "wide"
    root: str = "meters"  # of the topics of its meters

    @property
    def names(self) -> list[str]:
        """The feed, the photovoltaics, the feeders."""
        return ["t1", "pv", *(f"q{i:04d}" for i in range(1, self.points - 1))]

    def wh_per_step(self, index: int) -> int:
        """What one point counts from reading to reading; the feed is what the feeders take less the photovoltaics."""
        if index >= 2:
            return 3 + index % 5
        feeders = sum(self.wh_per_step(i) for i in range(2, self.points))
        made = feeders // 3
        return made if index == 1 else feeders - made

    def power_w(self, index: int, step: int) -> float:
        """The power of a point at a reading."""
        return self.wh_per_step(index) * 3_600_000 / self.step_ms + self.swing_w * (step % 10)

    def payload(self, index: int, step: int, at_ms: int, power_w: float | None = None) -> bytes:
        """One message of a point."""
        rise = self.wh_per_step(index)
        wanted = {
            "import_wh": 1_000_000 + rise * step,
            "export_wh": 0,
            "power_w": self.power_w(index, step) if power_w is None else power_w,
        }
        fields = {FIELDS[register]: wanted[FIELDS[register]] for register in self.registers}
        return json.dumps({"time": text(at_ms), **fields}).encode()

    def messages(self, step: int, at_ms: int) -> list[tuple[str, bytes]]:
        """All points once: topic and payload of each message."""
        if self.group == 1:
            return [(f"{self.root}/{name}", self.payload(i, step, at_ms)) for i, name in enumerate(self.names)]
        values = {name: json.loads(self.payload(i, step, at_ms)) for i, name in enumerate(self.names)}
        parts = [self.names[low : low + self.group] for low in range(0, self.points, self.group)]
        return [
            (f"gateways/g{k}", json.dumps({"time": text(at_ms), **{name: values[name] for name in part}}).encode())
            for k, part in enumerate(parts)
        ]

    def _inputs(self) -> str:
        fields = {register: FIELDS[register] for register in self.registers}
        shown = ", ".join(f'"{register}" = "/{field}"' for register, field in fields.items())
        if self.group == 1:
            return _input("*", f"{self.root}/{{point}}", shown)
        return "\n".join(
            _input(name, f"gateways/g{i // self.group}", shown.replace('"/', f'"/{name}/'))
            for i, name in enumerate(self.names)
        )

    def plan(self, folder: Path, port: int, *, future_s: int = 60) -> Path:
        """The plan file. A trial, whose time runs ahead of the clock, needs a large `future_s`."""
        roles = {"t1": "feed", "pv": "pv"}
        points = "\n".join(
            f'  {{ point = "{n}", role = "{roles.get(n, "feeder")}", title = "Point {n}" }},' for n in self.names
        )
        path = folder / f"{self.site}.toml"
        path.write_text(
            f"""site = {{ name = "{self.site}", zone = "Europe/Vienna" }}
broker = {{ port = {port} }}
limits = {{ contracted_w = 100_000_000, point_max_w = 100_000_000, future_s = {future_s} }}
board = [{{ name = "main", title = "Main distribution" }}]
source = [{{ name = "meters", protocol = "mqtt", rate_limit = {RATE} }}]
point = [
{points}
]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e11 }}]

{self._inputs()}
""",
            encoding="utf-8",
        )
        return path


def _input(point: str, address: str, fields: str) -> str:
    return f"""[[input]]
point = "{point}"
source = "meters"
address = "{address}"
time_field = "/time"
fields = {{ {fields} }}
"""
