"""Given registers of a real house, written out as people's programs write them, come back to the mWh; so do intervals."""

import csv
import gzip
import io
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from meterd.adapters.sources.files.source import open_history
from meterd.adapters.sources.old_readings.mapping import FileMapping, with_settings
from meterd.adapters.sources.old_readings.reader import OpenedFile, ReadFile, open_files, read_file
from meterd.core.errors import ConfigError
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site, Source

DATA = Path(__file__).parents[3] / "data"
ZONE = ZoneInfo("Europe/Berlin")
TITLES = {"grid_import_kwh": "Netz Bezug", "grid_export_kwh": "Netz Lieferung", "pv_kwh": "Solardach Ertrag"}
TITLES |= {"heat_pump_kwh": "Wärmepumpe", "ev_kwh": "Ladesäule", "freezer_kwh": "Gefriertruhe"}
CHANNELS = {"grid_import_kwh": ("grid", "1.8.0"), "grid_export_kwh": ("grid", "2.8.0"), "pv_kwh": ("pv", "1.8.0")}
CHANNELS |= {f"{name}_kwh": (name.replace("_", "-"), "1.8.0") for name in ("heat_pump", "ev", "freezer")}
Rows = list[tuple[datetime, dict[str, str]]]


def site() -> Site:
    names = {"grid": "Netz", "pv": "Solardach", "heat-pump": "Wärmepumpe", "ev": "Ladesäule", "freezer": "Gefriertruhe"}
    roles = {"grid": Role.FEED, "pv": Role.PV}
    points = tuple(Point(name, "main", roles.get(name, Role.FEEDER), title=title) for name, title in names.items())
    inputs = tuple(Input(*channel, "logger", column, unit="kWh") for column, channel in CHANNELS.items())
    serials = tuple(Instrument(name, -(2**62), serial=f"4711-{place}") for place, name in enumerate(names, 10))
    source = Source("logger", "file", (("time_column", "ts_utc"),))
    return Site("house", "Europe/Berlin", boards=(Board("main"),), points=points, inputs=inputs, sources=(source,),
                instruments=serials)  # fmt: skip


FILE = DATA / "opsd_res4_registers_1h.csv.gz"


def given(count: int = 6502) -> Rows:
    """Moments in UTC and the readings as the file has them, empty where it has none."""
    lines = csv.DictReader(gzip.decompress(FILE.read_bytes()).decode().splitlines())
    rows = [(datetime.fromisoformat(line["ts_utc"]), {name: line[name] for name in CHANNELS}) for line in lines]
    return rows[:count]


def expected() -> dict[tuple[str, str], list[tuple[int, int]]]:
    """What the plain way makes of the given file."""
    with open_history([FILE], site(), "logger") as history:
        return {channel: pairs(*history.column(*channel)[:2]) for channel in history.channels()}


def pairs(times: np.ndarray, values: np.ndarray) -> list[tuple[int, int]]:  # type: ignore[type-arg]
    return sorted(zip(times.tolist(), values.tolist(), strict=True))


def comma(text: str, thousands: str = "") -> str:
    whole, _, part = text.partition(".")
    return f"{int(whole):,}".replace(",", thousands) + f",{part or '0'}" if text else ""


def semicolons(rows: Rows, folder: Path) -> Path:
    """Windows-1252, decimal comma, points between thousands, remarks above the names, local time."""
    lines = ["Zählerstände;Haus am Kai", ";".join(["Zeitpunkt", *(f"{TITLES[name]} [kWh]" for name in CHANNELS)])]
    for moment, values in rows:
        local = moment.astimezone(ZONE).strftime("%d.%m.%Y %H:%M")
        lines.append(";".join([local, *(comma(values[name], ".") for name in CHANNELS)]))
    path = folder / "stände.csv"
    path.write_bytes("\r\n".join([*lines, ""]).encode("windows-1252"))
    return path


def tabs_and_months(rows: Rows, folder: Path) -> Path:
    """UTF-16, tabs, month first, twelve hours, watt-hours, newest first."""
    lines = ["\t".join(["Date", *(f"{TITLES[name]} (Wh)" for name in CHANNELS)])]
    for moment, values in reversed(rows):
        local = moment.astimezone(ZONE).strftime("%m/%d/%Y %I:%M %p")
        cells = [f"{Decimal(values[name]) * 1000:,}" if values[name] else "" for name in CHANNELS]
        lines.append("\t".join([local, *cells]))
    path = folder / "readings.txt"
    path.write_bytes("\n".join(lines).encode("utf-16"))
    return path


def two_columns(rows: Rows, folder: Path) -> Path:
    """Date and clock time in two columns, names and units in two lines, Latin-1, gzip, blanks between thousands."""
    lines = [
        ";".join(["Tag", "Uhrzeit", *(TITLES[name] for name in CHANNELS)]),
        ";".join(["", "", *["kWh"] * len(CHANNELS)]),
    ]
    for moment, values in rows:
        local = moment.astimezone(ZONE)
        cells = [comma(values[name], "\u00a0") for name in CHANNELS]
        lines.append(";".join([local.strftime("%d.%m.%y"), local.strftime("%H:%M:%S"), *cells]))
    path = folder / "export.csv.gz"
    path.write_bytes(gzip.compress("\n".join([*lines, ""]).encode("iso-8859-1")))
    return path


def workbook(rows: Rows, folder: Path, kind: str = "xlsx") -> Path:
    """Numbers as numbers and dates as dates, local time, on the second sheet."""
    data: dict[str, list[object]] = {"Zeit": [moment.astimezone(ZONE).replace(tzinfo=None) for moment, _ in rows]}
    for name in CHANNELS:
        data[f"{TITLES[name]} kWh"] = [float(values[name]) if values[name] else None for _, values in rows]
    path = folder / f"readings.{kind}"
    with pd.ExcelWriter(path, engine="odf" if kind == "ods" else "openpyxl") as writer:
        pd.DataFrame({"Hinweis": ["Stand 2016"]}).to_excel(writer, sheet_name="Hinweise", index=False)
        pd.DataFrame(data).to_excel(writer, sheet_name="Werte", index=False)
    return path


def document(rows: Rows, folder: Path) -> Path:
    """The same as an OpenDocument sheet."""
    return workbook(rows, folder, "ods")


def long_archive(rows: Rows, folder: Path) -> Path:
    """A row for each reading with serial number and OBIS code, UTC with offset, in a zip archive."""
    serials = {instrument.point: instrument.serial for instrument in site().instruments}
    out = io.StringIO()
    writer = csv.writer(out, delimiter=",")
    writer.writerow(["Zählernummer", "OBIS", "Zeit", "Wert", "Einheit"])
    for moment, values in rows:
        for name, (point, register) in CHANNELS.items():
            if values[name]:
                writer.writerow([serials[point], f"1-1:{register}", moment.isoformat(), values[name], "kWh"])
    path = folder / "archive.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("2016/readings.csv", out.getvalue())
    return path


def opened(path: Path, *settings: str) -> OpenedFile:
    return open_files(path, site(), with_settings(FileMapping(), settings))[0]


def by_channel(read: ReadFile) -> dict[tuple[str, str], list[tuple[int, int]]]:
    return {part.channel: pairs(part.at_ms, part.values) for part in read.parts}


SHAPES = [semicolons, tabs_and_months, two_columns, workbook, document, long_archive]


@pytest.mark.parametrize("write", SHAPES)
def test_given_registers_come_back_to_the_mwh(write: Callable[[Rows, Path], Path], tmp_path: Path) -> None:
    """Nine months with both changes of the clocks in six shapes, nothing said: recognised, and equal to the plain way."""
    rows = given(1500) if write is document else given()
    read = read_file(opened(write(rows, tmp_path)), site())
    last = to_ms(rows[-1][0])
    wanted = {channel: [pair for pair in known if pair[0] <= last] for channel, known in expected().items()}
    assert read.left_out == []
    assert by_channel(read) == wanted


QUARTER_MS = 900_000


def powers(count: int) -> tuple[list[datetime], list[Decimal]]:
    """Mean powers of the given site as energies of quarter hours: moments in UTC, kWh with six digits."""
    frame = pd.read_parquet(DATA / "siteA_main.parquet", columns=["ts_utc", "pv_p_kw"]).iloc[:count]
    moments = [stamp.to_pydatetime().astimezone(UTC) for stamp in pd.to_datetime(frame["ts_utc"], utc=True)]
    return moments, [Decimal(f"{max(value, 0) / 4:.6f}") for value in frame["pv_p_kw"]]


@pytest.mark.parametrize("label", ["start", "end"])
def test_energies_of_intervals_become_a_register(label: str, tmp_path: Path) -> None:
    """A spring and an autumn of quarter hours, labelled as said, with a hole of one hour: it is missing and no zero."""
    moments, energies = powers(35136)
    hole = range(1000, 1004)
    lines = ["Zeit;Solardach [kWh]"]
    for row, (moment, energy) in enumerate(zip(moments, energies, strict=True)):
        if row not in hole:
            stamp = moment if label == "start" else moment + timedelta(seconds=900)
            lines.append(f"{stamp.astimezone(ZONE):%d.%m.%Y %H:%M};{comma(str(energy))}")
    path = tmp_path / "intervals.csv"
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    with pytest.raises(ConfigError, match="where the interval begins"):
        read_file(opened(path), site())
    read = read_file(opened(path, f"label={label}"), site())
    assert read.left_out == []
    known = dict(by_channel(read)["pv", "1.8.0"])
    first = to_ms(moments[0])
    gained = {
        row: known.get(first + (row + 1) * QUARTER_MS, -1) - known.get(first + row * QUARTER_MS, -1)
        for row in range(35136)
    }
    wanted = {row: int(energy * 10**6) for row, energy in enumerate(energies)}
    for row in set(range(35136)) - set(hole):
        assert gained[row] == wanted[row]
    across = known[first + hole.stop * QUARTER_MS] - known[first + hole.start * QUARTER_MS]
    assert across > 1_500_000 * 1000  # more than any feeder draws in an hour: the register stands at another level


def test_what_cannot_be_read_is_listed_with_row_column_and_value(tmp_path: Path) -> None:
    """A word, an hour that the clock skips, a date that is none, a row that ends early; the rest is read."""
    body = [
        "Zeit;Netz Bezug [kWh];Ladesäule [kWh]",
        "27.03.2016 01:00;1000,5;10",
        "27.03.2016 02:00;1001,5;11",
        "27.03.2016 03:00;Ausfall;12",
        "31.04.2016 03:00;1002,5;13",
        "28.03.2016 03:00;1003,5;",
        "28.03.2016 04:00;10",
    ]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(body), encoding="utf-8")
    read = read_file(opened(path), site())
    results = [(cell.row, cell.column, cell.value, cell.reason) for cell in read.left_out]
    time = "time: no date and time; one is written like 31.12.2025 23:45"
    skipped, short = "time: local time that the clock skips", "2 cells where the other rows have 3"
    assert results == [
        (3, "Netz Bezug [kWh]", "1001,5", skipped),
        (4, "Netz Bezug [kWh]", "Ausfall", "no number; write a number such as 1234,5"),
        (5, "Netz Bezug [kWh]", "1002,5", time),
        (7, "Netz Bezug [kWh]", "10", short),
        (3, "Ladesäule [kWh]", "11", skipped),
        (5, "Ladesäule [kWh]", "13", time),
    ]
    assert [value for _, value in by_channel(read)["grid", "1.8.0"]] == [1_000_500_000, 1_003_500_000]


def test_a_meter_of_the_mapping_that_a_file_lacks_is_no_fault(tmp_path: Path) -> None:
    """One mapping for the files of all years: a meter that came later has no rows in the first one."""
    path = long_archive(given(3000), tmp_path)
    reported = opened(path).mapping
    fewer = tmp_path / "fewer.csv"
    fewer.write_text("Zählernummer,OBIS,Zeit,Wert,Einheit\n4711-10,1-1:1.8.0,2016-01-01T00:00:00+00:00,1.5,kWh\n" * 1)
    file = open_files(
        fewer,
        site(),
        FileMapping(**{k: getattr(reported, k) for k in ("meter", "register", "value", "unit", "columns")}),
    )[0]
    assert by_channel(read_file(file, site())) == {("grid", "1.8.0"): [(1_451_606_400_000, 1_500_000)]}
