"""A point gets a new name in every file of a plan; its old one becomes an alias, and nothing else changes its meaning."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace

from meterd.adapters.planfile.csv_editor import CsvText
from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.toml_positions import key_places
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site

INPUTS = "inputs.csv"
_CSV_COLUMNS = {
    "points.csv": ("point", "below"),
    "instruments.csv": ("point",),
    INPUTS: ("point",),
    "consumers.csv": ("point",),
}
_KEYS = ("point", "below", "fed_by", "points")  # of TOML tables: what names a point
_MARK = "\ufeff"


def rename(files: PlanFiles, site: Site, old: str, new: str) -> None:
    """Change the texts of a plan. ConfigError for a point that is a copy of a pattern."""
    for copied in site.copied:
        if old in copied.points:
            message = f"{old} is a copy of pattern {copied.pattern}: its name follows {copied.drawn}"
            raise ConfigError(
                f"{message}; rename the point of the pattern, or write this one as a point of its own first"
            )
    for name, columns in _CSV_COLUMNS.items():
        if name in files.texts:
            files.texts[name] = _in_csv_file(files.texts[name], columns, old, new)
    for name, text in files.texts.items():
        if name.endswith(".toml"):
            files.texts[name] = _in_toml(text, old, new)
    if not _has_inputs(files, new):
        _write_inputs(files, [meter_input for meter_input in site.inputs if meter_input.point == old], new)


def renamed(site: Site, old: str, new: str) -> Site:
    """The same site, with a point under another name."""

    def named(name: str | None) -> str | None:
        return new if name == old else name

    return replace(
        site,
        boards=tuple(replace(board, fed_by=named(board.fed_by)) for board in site.boards),
        points=tuple(
            replace(
                point,
                name=new if point.name == old else point.name,
                below=named(point.below),
                aliases=(*point.aliases, old) if point.name == old else point.aliases,
            )
            for point in site.points
        ),
        instruments=tuple(replace(instrument, point=named(instrument.point) or "") for instrument in site.instruments),
        inputs=tuple(replace(meter_input, point=named(meter_input.point) or "") for meter_input in site.inputs),
        consumers=tuple(replace(consumer, point=named(consumer.point)) for consumer in site.consumers),
        allocations=tuple(
            replace(allocation, points=tuple(named(point) or "" for point in allocation.points))
            for allocation in site.allocations
        ),
        baselines=tuple(replace(baseline, name=named(baseline.name) or "") for baseline in site.baselines),
    )


def same(site: Site, other: Site) -> bool:
    """Whether two sites mean the same, whatever the order of their rows."""
    return _meaning(site) == _meaning(other)


def _meaning(site: Site) -> Site:
    return replace(
        site,
        points=tuple(sorted((replace(p, aliases=tuple(sorted(p.aliases))) for p in site.points), key=repr)),
        instruments=tuple(sorted(site.instruments, key=repr)),
        inputs=tuple(sorted((replace(meter_input, where="") for meter_input in site.inputs), key=repr)),
    )


# -- spreadsheets ------------------------------------------------------------------------------------------------------


def _in_csv_file(text: str, columns: tuple[str, ...], old: str, new: str) -> str:
    csv_file = CsvText(text)
    for i, row in enumerate(csv_file.rows):
        if row.get("point") == old:
            for column in ("address", "field"):
                if "{point}" in row.get(column, ""):  # what the meter sends under does not change with the name here
                    csv_file = csv_file.with_value(i, column, row[column].replace("{point}", old))
            if "below" in columns:
                csv_file = csv_file.with_value(i, "aliases", " ".join([*row.get("aliases", "").split(), old]))
        for column in columns:
            if row.get(column) == old:
                csv_file = csv_file.with_value(i, column, new)
    return csv_file.text


# -- TOML --------------------------------------------------------------------------------------------------------------


def _in_toml(text: str, old: str, new: str) -> str:
    """Every value that names the point changed where it stands, last ones first so that places stay true."""
    mark, body = (_MARK, text[1:]) if text.startswith(_MARK) else ("", text)
    values, places = tomllib.loads(body), key_places(body)
    lines = body.split("\n")
    begins = [0]
    for item in lines:
        begins.append(begins[-1] + len(item) + 1)
    results = []
    for path, _ in _named(values, old):
        key = path
        while key and key not in places:
            key = key[:-1]
        if not key:
            raise ConfigError(f"cannot find where {old} stands in a TOML file; rename it by hand")
        line, column = places[key]
        results.append((begins[line - 1] + column - 1, path))
    literal = re.compile(rf"""(["']){re.escape(old)}\1""")
    for offset, path in sorted(results, reverse=True):
        match = literal.search(body, offset)
        if match is None:
            raise ConfigError(f"cannot find where {old} stands in a TOML file; rename it by hand")
        alias = _alias(values, path, old) if path[-1] == "point" and path[0] == "point" else ""
        end, line_ends = match.end(), "\r\n" if "\r\n" in body else "\n"
        after = f"{line_ends}{alias}" if alias and _own_line(body, offset, end) else f", {alias}" if alias else ""
        body = body[: match.start()] + f'"{new}"' + after + body[end:]
    return mark + body


def _alias(values: Mapping[str, object], path: tuple[str | int, ...], old: str) -> str:
    table: object = values
    for step in path[:-1]:
        table = table[step]  # type: ignore[index]
    assert isinstance(table, Mapping), "a point is a table"
    if "aliases" in table:
        raise ConfigError(f"point {old} has aliases in a TOML file: add {old} to them and change the name by hand")
    return f'aliases = ["{old}"]'


def _own_line(body: str, low: int, high: int) -> bool:
    """Whether a key and its value stand alone on a line, so that another key goes on the next one."""
    begin, end = body.rfind("\n", 0, low) + 1, body.find("\n", high)
    before, after = body[begin:low], body[high : end if end >= 0 else len(body)]
    return not before.strip() and (not after.strip() or after.strip().startswith("#"))


def _named(value: object, old: str, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every place where the point is named, as path into the document."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _named(item, old, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _named(item, old, (*path, index))
    elif value == old and any(step in _KEYS for step in path[-2:]) and isinstance(value, str):
        yield path, value


# -- inputs that held for every point ----------------------------------------------------------------------------------


def _has_inputs(files: PlanFiles, new: str) -> bool:
    if INPUTS in files.texts and any(row.get("point") == new for row in CsvText(files.texts[INPUTS]).rows):
        return True
    rows = tomllib.loads(files.texts[files.main].removeprefix(_MARK)).get("input", [])
    return any(row.get("point") == new for row in rows)


def _write_inputs(files: PlanFiles, inputs: list[Input], new: str) -> None:
    """Rows of its own for a point that was read by rows for every point: their address would follow the new name."""
    rows = [_cells(meter_input, new) for meter_input in inputs]
    if files.is_folder:
        names = ("point", "register", "source", "address", "field", "unit", "scale", "time_field")
        csv_file = CsvText(files.texts.get(INPUTS, ",".join(names) + "\n"))
        for row in rows:
            csv_file = csv_file.with_row(row)
        files.texts[INPUTS] = csv_file.text
        return
    text = files.texts[files.main]
    line_end = "\r\n" if "\r\n" in text else "\n"
    for row in rows:
        keys = [f"{key} = {_toml(key, value)}" for key, value in row.items()]
        text = text.rstrip() + line_end * 2 + line_end.join(["[[input]]", *keys]) + line_end
    files.texts[files.main] = text


def _cells(meter_input: Input, new: str) -> dict[str, str]:
    factor = "" if meter_input.scale == 1 else format(meter_input.scale, ".17g")
    scale = ("ct*" + factor if factor else "ct") if meter_input.per_ct else factor
    results = {
        "point": new,
        "register": meter_input.register,
        "source": meter_input.source,
        "address": meter_input.address,
        "field": meter_input.field,
        "unit": meter_input.unit,
        "scale": scale,
        "time_field": meter_input.time_field,
    }
    return {key: value for key, value in results.items() if value}


def _toml(key: str, value: str) -> str:
    if key == "scale" and not value.startswith("ct"):
        return value
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
