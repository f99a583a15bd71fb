"""A small site for what happens in the life of a plant: a plan folder, its meters, and stored figures of some days."""

from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from tests.plans import write

MAY = 1_777_845_600_000  # 2026-05-03 22:00 UTC: midnight of Monday, 4 May, in Vienna
MINUTE, HOUR, DAY, QUARTER = 60_000, 3_600_000, 86_400_000, 900_000
STEP = 5 * MINUTE
SITE = """\
# the plan of the workshop
[site]
name = "workshop"
zone = "Europe/Vienna"

[broker]
host = "127.0.0.1"
port = {port}

[limits]
future_s = 40_000_000

[[board]]
name = "main"
rating_kva = 160

[[source]]
name = "meters"
protocol = "mqtt"
time_unit = "ms"

[[allocation]]
name = "power"
board = "main"
price = 0.25
"""
FILES = {
    "points.csv": """\
# what is measured where
point,board,role,below,title,tenant,rating_a,aliases
t1,main,feed,,Transformer,,,
q01,main,feeder,,Bakery,Bakery,100,oven-hall
"q02",main,feeder,,"Cafe, ground floor",Cafe,63,
roof,main,pv,,Photovoltaics,,63,
""",
    "instruments.csv": """\
point,from,until,serial,meter_class,register_max_wh,resolution_wh,opening_wh,closing_wh,note
# fitted by the electrician
t1,2025-01-01,,T-1,B,1e9,1,,,
q01,2025-01-01,,"A-17",B,1e9,1,,,"bakery, left cabinet"
q02,2025-01-01,,A-18,B,1e9,1,,,
roof,2025-01-01,,A-19,B,1e9,1,,,
""",
    "inputs.csv": """\
point,register,source,address,field,unit,scale,time_field
t1,1.8.0,meters,m/t1,/import,Wh,,/t
t1,2.8.0,meters,m/t1,/export,Wh,,/t
q01,1.8.0,meters,m/{point},/import,Wh,,/t
q02,1.8.0,meters,m/q02,/import,Wh,,/t
roof,1.8.0,meters,m/roof,/import,Wh,,/t
""",
}
# Wh in five minutes: q01 shows four fifths of what it takes, its transformers are 250/5 A and were set as 200/5 A
SHOWN = {("t1", IMPORT): 600, ("t1", EXPORT): 0, ("q01", IMPORT): 800, ("q02", IMPORT): 500, ("roof", IMPORT): 900}


def plan(folder: Path, port: int = 1883) -> Path:
    """The plan folder."""
    return write(folder / "plan", {"site.toml": SITE.format(port=port), **FILES})


def readings(from_ms: int, until_ms: int) -> list[Reading]:
    """What every meter shows every five minutes of [from, until]."""
    return [
        Reading(point, register, t, 1000 * (50_000 + wh * ((t - MAY) // STEP)), t)
        for t in range(from_ms, until_ms + 1, STEP)
        for (point, register), wh in SHOWN.items()
    ]


def filled(folder: Path, days: int = 2, port: int = 1883) -> tuple[Path, Path]:
    """Plan and store with the stored figures of some days."""
    made = plan(folder, port)
    path = made / "workshop.sqlite"
    keep(made, path, readings(MAY, MAY + days * DAY), MAY + days * DAY + MINUTE + 1000)
    return made, path


def keep(made: Path, path: Path, some: list[Reading], now_ms: int) -> None:
    """Keep readings with the plan as it is now, and close what is over."""
    site = load_plan(made).site
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    ledger.tick(some, now_ms)
    ledger.tick([], now_ms)
    while ledger.late_step(now_ms, 0):
        pass
    while ledger.recompute_piece(now_ms) is not None:
        pass
    store.close()
