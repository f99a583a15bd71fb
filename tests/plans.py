"""A small plan folder that is sound, for tests to break in one place."""

from collections.abc import Mapping
from pathlib import Path

SITE = """\
[site]
name = "mill"
zone = "Europe/Vienna"

[[board]]
name = "north"

[[board]]
name = "south"

[[repeat]]
pattern = "room"
numbers = "01-03"
board = "north"
below = "q01"

[repeat.override.02]
title = "Corner room"
"""
POINTS = """\
point,board,role,below,title,state,rating_a,designation,aliases
t1,north,feed,,Transformer,live,,-T1,
t2,south,feed,,Transformer,live,,,
q01,north,feeder,,Riser,live,63,=E1-Q11,riser-old
q02,south,feeder,,Bakery,live,,,
"""
INSTRUMENTS = """\
point,from,until,meter_class,ct_class,ct_set,ct_ratio,pulse_wh,register_max_wh,opening_wh,closing_wh
t1,2024-01-01,,0.5S,0.5,set-a,1000/5,,1e11,,
t2,2024-01-01,,0.5S,0.5,set-b,600/5,,1e11,,
q01,2024-01-01,2025-03-01,B,,,,,1e9,,1.8.0=500
q01,2025-03-01,,B,,,,,1e9,1.8.0=3,
q02,2024-01-01,,B,,,,1.25,,,
"""
INPUTS = """\
point,register,source,address,field,unit,scale,time_field
t1,1.8.0,broker,meters/t1,/import_wh,Wh,,/time
t2,1.8.0,broker,meters/t2,/import_wh,Wh,ct,/time
q01,1.8.0,broker,meters/q01,/import_wh,kWh,0.1,
q01,16.7.0,broker,meters/q01,/power_w,W,,
q02,1.8.0,broker,pulses/q02,,imp,,
"""
CONSUMERS = """\
consumer,point,priority,min_w,max_w,step_w,min_on_s,min_off_s,fallback_w
oven,q02,1,1000,6000,1000,60,60,0
"""
ROOM = """\
[[point]]
point = "room-{n}"
role = "sub"
title = "Room {n}"

[[instrument]]
point = "room-{n}"
meter_class = "B"

[[input]]
point = "room-{n}"
address = "rooms/{n}"
fields = { "1.8.0" = "room-{n}:import", "16.7.0" = "room-{n}:power" }

[[consumer]]
consumer = "room-{n}-heater"
point = "room-{n}"
max_w = 1500
"""
FILES: Mapping[str, str] = {
    "site.toml": SITE,
    "points.csv": POINTS,
    "instruments.csv": INSTRUMENTS,
    "inputs.csv": INPUTS,
    "consumers.csv": CONSUMERS,
    "patterns/room.toml": ROOM,
}


def write(folder: Path, files: Mapping[str, str | bytes | None]) -> Path:
    """Write plan files into a folder; None leaves a file out."""
    for name, content in files.items():
        if content is None:
            continue
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def edited(name: str, old: str, new: str) -> dict[str, str]:
    """The sound plan with one text replaced in one file; the text must be there once."""
    text = FILES[name]
    assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {name}"
    return {**FILES, name: text.replace(old, new)}
