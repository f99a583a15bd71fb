"""The mapping file: how a file of old readings is written and what its columns mean. TOML text in, values out, and back."""

import difflib
import re
import tomllib
from collections.abc import Mapping as Table
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from meterd.adapters.sources.old_readings.grid import ENCODINGS
from meterd.adapters.sources.old_readings.number_cells import DECIMALS, THOUSANDS
from meterd.adapters.sources.old_readings.time_cells import ORDERS, TIME_UNITS
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS, UNITS

REGISTER_VALUES, INTERVAL_VALUES = "registers", "intervals"
LABELS = ("start", "end")
CHOICES: dict[str, tuple[str, ...]] = {
    "decimal": DECIMALS,
    "thousands": tuple(THOUSANDS),
    "date_order": ORDERS,
    "time_unit": TIME_UNITS,
    "values": (REGISTER_VALUES, INTERVAL_VALUES),
    "label": LABELS,
}
OBIS_OF = {name: kind.obis for kind in REGISTERS.values() for name in (kind.obis, kind.name)}


@dataclass(frozen=True, slots=True)
class ColumnRule:
    """What one column of a wide file, or one meter of a long one, is. `unit` empty: unit and scale of the plan's input."""

    name: str
    point: str
    register: str
    unit: str = ""
    sign: int = 1


@dataclass(frozen=True, slots=True)
class FileMapping:
    """How a file is written. Empty means: as recognised in the file."""

    encoding: str = ""
    separator: str = ""
    sheet: str = ""
    header: tuple[int, ...] = ()  # rows that hold the names of the columns; values begin below them
    time: tuple[str, ...] = ()  # names of one or two columns
    date_order: str = ""
    time_unit: str = ""  # of times that are numbers
    zone: str = ""  # of times without offset; empty = that of the site
    decimal: str = ""
    thousands: str = ""
    values: str = ""
    label: str = ""
    interval_s: int = 0  # 0 = the most frequent step of the file
    meter: str = ""  # of a long file: the columns that hold meter, register, value and unit
    register: str = ""
    value: str = ""
    unit: str = ""
    columns: tuple[ColumnRule, ...] = ()

    @property
    def is_long(self) -> bool:
        """Whether each row names its meter."""
        return bool(self.meter)


KEYS = tuple(item.name for item in fields(FileMapping) if item.name != "columns")


@dataclass(slots=True)
class _Text:
    """A mapping text while it is read: its name, its lines, and what is wrong."""

    name: str
    text: str
    faults: list[str] = field(default_factory=list)

    def fault(self, key: str, what: str) -> None:
        match = re.search(rf"^[ \t]*{re.escape(key)}\s*=", self.text, re.MULTILINE)
        line = f":{self.text.count(chr(10), 0, match.start()) + 1}" if match else ""
        self.faults.append(f"{self.name}{line}: {what}")


def read_mapping(text: str, name: str, site: Site) -> FileMapping:
    """The mapping a TOML text holds. ConfigError names every fault with its line and what would be right."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError(f"{name}: {_toml_words(exc)}; write key = value, texts in double quotes") from exc
    source = _Text(name, text)
    rules = _rules(values.pop("column", []), source, site)
    mapping = replace(_settings(values, source), columns=rules)
    _check(mapping, source)
    if source.faults:
        raise ConfigError("\n".join(source.faults))
    return mapping


def with_settings(mapping: FileMapping, pairs: Sequence[str]) -> FileMapping:
    """The mapping with `KEY=VALUE` pairs of the command line over it. ConfigError for a key or value it does not know."""
    source = _Text("--set", "")
    values: dict[str, Any] = {}
    for pair in pairs:
        key, sign, value = pair.partition("=")
        if not sign:
            source.fault(key, f"{pair!r} is no KEY=VALUE; write for example date_order=day-month-year")
        values[key.strip()] = int(value) if key.strip() == "interval_s" and value.isdigit() else value
    stated = _settings(values, source)
    changed = {key: getattr(stated, key) for key in KEYS if key in values}
    mapping = replace(mapping, **changed)
    _check(mapping, source)
    if source.faults:
        raise ConfigError("\n".join(source.faults))
    return mapping


def _toml_words(exc: tomllib.TOMLDecodeError) -> str:
    text = str(exc)
    return text[:1].lower() + text[1:]


def _settings(values: Table[str, Any], source: _Text) -> FileMapping:
    results: dict[str, Any] = {}
    for key, value in values.items():
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, 1)
            source.fault(
                key, f"unknown key {key!r}; " + (f"did you mean {near[0]}" if near else f"known: {', '.join(KEYS)}")
            )
        elif key in ("header", "time"):
            some = value if isinstance(value, list) else [value]
            kind = int if key == "header" else str
            if all(isinstance(item, kind) for item in some):
                results[key] = tuple(some)
            else:
                source.fault(key, f"{key} is a list of " + ("row numbers" if kind is int else "column names"))
        elif isinstance(value, int if key == "interval_s" else str) and not isinstance(value, bool):
            results[key] = value
        else:
            source.fault(
                key, f"{key} must be a " + ("whole number of seconds" if key == "interval_s" else "text in quotes")
            )
    return FileMapping(**results)


def _check(mapping: FileMapping, source: _Text) -> None:
    for key, known in CHOICES.items():
        value = getattr(mapping, key)
        if value and value not in known:
            source.fault(key, f"{key} {value!r} is unknown; known: {', '.join(map(repr, known))}")
    if mapping.encoding and not _is_encoding(mapping.encoding):
        source.fault("encoding", f"encoding {mapping.encoding!r} is unknown; known: {', '.join(ENCODINGS)}")
    if len(mapping.separator) > 1:
        source.fault("separator", f'separator {mapping.separator!r} is no single character; write ";", "," or "\\t"')
    if mapping.decimal and mapping.decimal == mapping.thousands:
        source.fault("thousands", "decimal and thousands are the same sign; one of them is another")
    if len(mapping.time) > 2:
        source.fault("time", "time names more than two columns; date and clock time are two at most")
    if mapping.interval_s < 0:
        source.fault("interval_s", "interval_s is below 0 s; write 900 for quarter hours")
    if mapping.zone and not _is_zone(mapping.zone):
        source.fault(
            "zone", f"zone {mapping.zone!r} is unknown; write an IANA name such as Europe/Vienna, or Etc/GMT-1"
        )
    if mapping.is_long and not mapping.value:
        source.fault("meter", "a file with a column for the meter needs value, the column of the readings")


def _is_encoding(name: str) -> bool:
    try:
        return bool("".encode(name) or True)
    except LookupError:
        return False


def _is_zone(name: str) -> bool:
    try:
        return bool(ZoneInfo(name).key)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False


def _rules(rows: object, source: _Text, site: Site) -> tuple[ColumnRule, ...]:
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        source.fault("column", "column is no list of tables; write [[column]] in double brackets")
        return ()
    results = [rule for row in rows if (rule := _rule(row, source, site)) is not None]
    seen: dict[tuple[str, str], str] = {}
    for rule in results:
        first = seen.setdefault((rule.point, rule.register), rule.name)
        if first != rule.name:
            what = f"columns {first!r} and {rule.name!r} are both {rule.point} {rule.register}; leave one out"
            source.fault("point", what)
    return tuple(results)


def _rule(row: Table[str, Any], source: _Text, site: Site) -> ColumnRule | None:
    name = str(row.get("name", ""))
    where = f"column {name!r}: "
    known = ("name", "point", "register", "unit", "sign")
    before = len(source.faults)
    for key in row:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            source.fault(
                key, f"{where}unknown key {key!r}; " + (f"did you mean {near[0]}" if near else ", ".join(known))
            )
    point, register = str(row.get("point", "")), OBIS_OF.get(str(row.get("register", "1.8.0")))
    unit, sign = str(row.get("unit", "")), row.get("sign", 1)
    points = {name: item.name for item in site.points for name in (item.name, *item.aliases)}
    if not name or not point:
        source.fault("name", f"{where}name and point are needed; leave the table out if the column is not read")
    elif point not in points:
        near = difflib.get_close_matches(point, points, 1)
        source.fault("point", f"{where}the plan has no point {point!r}" + (f"; did you mean {near[0]}" if near else ""))
    if register is None:
        source.fault("register", f"{where}register {row['register']!r} is unknown; write an OBIS code such as 1.8.0")
    elif unit and (unit not in UNITS or REGISTERS[register].unit not in UNITS[unit][0]):
        source.fault("unit", f"{where}unit {unit!r} does not fit a register in {REGISTERS[register].unit}")
    if sign not in (1, -1):
        source.fault("sign", f"{where}sign is 1, or -1 where the file shows the value negative")
    if len(source.faults) > before:
        return None
    assert register is not None, "an unknown register is a fault"
    return ColumnRule(name, points[point], register, unit, sign)


# -- written -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Remark:
    """A comment that stands above a key, or (`key` empty) at the end."""

    key: str
    text: str


def mapping_text(mapping: FileMapping, remarks: Sequence[Remark], title: str) -> str:
    """A mapping as TOML, with comments."""
    lines = [f"# {title}", ""]
    for key in KEYS:
        value = getattr(mapping, key)
        above = [f"# {remark.text}" for remark in remarks if remark.key == key]
        if above or value:
            lines += [*above, f"{key} = {_toml(value)}" if value else f'#{key} = ""']
    for rule in mapping.columns:
        lines += ["", "[[column]]", f"name = {_toml(rule.name)}", f"point = {_toml(rule.point)}"]
        lines += [f"register = {_toml(rule.register)}"]
        lines += [f"unit = {_toml(rule.unit)}"] if rule.unit else []
        lines += [f"sign = {rule.sign}"] if rule.sign != 1 else []
    ends = [f"# {remark.text}" for remark in remarks if not remark.key]
    return "\n".join([*lines, *([""] if ends else []), *ends, ""])


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t").replace("\n", "\\n")
        return f'"{escaped}"'
    return str(value)
