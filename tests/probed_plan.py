"""A plan whose points can be probed."""

from pathlib import Path

PLAN = """\
site = {{ name = "gate-works", zone = "Europe/Vienna" }}
board = [{{ name = "main" }}]
point = [
    {{ point = "grid", role = "feed" }}, {{ point = "joinery", rating_a = 63 }}, {{ point = "kiln" }}, {{ point = "logger" }},
]
instrument = [{{ point = "joinery", ct_ratio = "50/5", serial = "1234" }}, {{ point = "kiln", pulse_wh = 1.25 }}]
broker = {{ host = "127.0.0.1", port = {broker} }}
source = [
    {{ name = "line", protocol = "modbus", host = "127.0.0.1", port = {port}, timeout_s = 0.3 }},
    {{ name = "broker" }},
    {{ name = "log", protocol = "file", path = "." }},
]
input = [
    {{ point = "grid", register = "16.7.0", source = "broker", address = "meters/grid", field = "/p", time_field = "/t" }},
    {{ point = "kiln", register = "1.8.0", source = "broker", address = "pulses/kiln", unit = "imp" }},
    {{ point = "logger", register = "1.8.0", source = "log", address = "kwh" }},
    {{ point = "joinery", register = "16.7.0", source = "line", address = "3/holding/72/float32", scale = "ct" }},
    {{ point = "joinery", register = "32.7.0", source = "line", address = "3/holding/74/float32" }},
    {{ point = "joinery", register = "31.7.0", source = "line", address = "3/holding/76/float32", scale = "ct" }},
]
"""


def written(folder: Path, port: int, *, broker: int = 1) -> str:
    path = folder / "works.toml"
    path.write_text(PLAN.format(port=port, broker=broker), encoding="utf-8")
    return str(path)
