"""A boat yard of 11 points: its plan, two years of registers, and the export that a German spreadsheet program makes of them."""

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Berlin")
BEGIN = datetime(2023, 12, 31, 23, tzinfo=UTC)  # midnight of New Year at the yard
POINTS = {
    "shore": ("feed", "Netzeinspeisung"),
    "roof": ("pv", "PV Hallendach"),
    "crane": ("feeder", "Bootskran"),
    "slip": ("feeder", "Slipanlage"),
    "hall-1": ("feeder", "Winterhalle 1"),
    "hall-2": ("feeder", "Winterhalle 2"),
    "paint": ("feeder", "Lackiererei"),
    "air": ("feeder", "Druckluft"),
    "office": ("feeder", "Büro"),
    "pontoon-a": ("feeder", "Steg A"),
    "pontoon-b": ("feeder", "Steg B"),
}
FEEDERS = [name for name, (role, _) in POINTS.items() if role == "feeder"]
Channel = tuple[str, str]
REGISTERS: list[Channel] = [("shore", "1.8.0"), ("shore", "2.8.0"), ("roof", "1.8.0"), *((f, "1.8.0") for f in FEEDERS)]
TITLES = {
    channel: f"{POINTS[channel[0]][1]} {word} [kWh]"
    for channel in REGISTERS
    for word in ["Lieferung" if channel[1] == "2.8.0" else "Ertrag" if channel[0] == "roof" else "Bezug"]
}


def write_plan(folder: Path) -> Path:
    """The plan as it is typed from the list of meters."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(
        '[site]\nname = "boat-yard"\ntitle = "Bootswerft"\nzone = "Europe/Berlin"\n\n[[board]]\nname = "quay"\n\n'
        '[[source]]\nname = "old"\nprotocol = "file"\npath = "incoming"\n',
        encoding="utf-8",
    )
    points = [f"{name},{role},{title},{250 if role == 'feed' else 63}" for name, (role, title) in POINTS.items()]
    (folder / "points.csv").write_text("\n".join(["point,role,title,rating_a", *points, ""]), encoding="utf-8")
    inputs = [f"{point},{register},{point} {register},kWh" for point, register in REGISTERS]
    (folder / "inputs.csv").write_text("\n".join(["point,register,address,unit", *inputs, ""]), encoding="utf-8")
    (folder / "instruments.csv").write_text("point,meter_class\n*,B\n", encoding="utf-8")
    return folder


def histories(hours: int, *, step_s: int = 3600, seed: int = 14) -> tuple[list[datetime], dict[Channel, list[int]]]:
    """Moments in UTC, and the reading of every register at each of them, in whole mWh."""
    rng = random.Random(seed)
    count = hours * 3600 // step_s
    readings = {channel: [rng.randrange(10**6, 10**9) * 1000] for channel in REGISTERS}
    moments = [BEGIN + timedelta(seconds=step_s * row) for row in range(count + 1)]
    for moment in moments[:-1]:
        loads = {name: rng.randrange(0, 9_000_000) * step_s // 3600 for name in FEEDERS}
        production = 1000 * rng.randrange(0, 60_000) * step_s // 3600 if 8 <= moment.hour < 16 else 0
        draw = sum(loads.values()) - production
        added = {("shore", "1.8.0"): max(draw, 0), ("shore", "2.8.0"): max(-draw, 0), ("roof", "1.8.0"): production}
        added |= {(name, "1.8.0"): load for name, load in loads.items()}
        for channel, energy in added.items():
            readings[channel].append(readings[channel][-1] + energy)
    return moments, readings


def german(milli: int) -> str:
    """Milli-watt-hours as kWh with decimal comma and points between thousands."""
    whole, part = divmod(milli, 10**6)
    return f"{whole:,}".replace(",", ".") + f",{part:06d}"


def german_export(moments: list[datetime], readings: dict[Channel, list[int]]) -> str:
    """Semicolons, decimal commas, local time without offset, two lines of remarks above the names."""
    lines = [
        "Zählerstände Bootswerft;" + ";" * (len(REGISTERS) - 1),
        "Auszug;2024 bis 2025" + ";" * (len(REGISTERS) - 1),
    ]
    lines.append(";".join(["Datum und Uhrzeit", *(TITLES[channel] for channel in REGISTERS)]))
    for row, moment in enumerate(moments):
        local = moment.astimezone(ZONE).strftime("%d.%m.%Y %H:%M")
        lines.append(";".join([local, *(german(readings[channel][row]) for channel in REGISTERS)]))
    return "\r\n".join([*lines, ""])
