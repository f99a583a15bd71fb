"""A point gets a new name in every file of a plan; its old one becomes an alias, and nothing else changes its meaning."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace

from meterd.app.plan.files import PlanFiles
from meterd.app.plan.sheet_text import SheetText
from meterd.app.plan.toml_places import key_places
from meterd.errors import ConfigError
from meterd.site import Input, Site

INPUTS = "inputs.csv"
_SHEET_COLUMNS = {
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
            words = f"{old} is a copy of pattern {copied.pattern}: its name follows {copied.drawn}"
            raise ConfigError(
                f"{words}; rename the point of the pattern, or write this one as a point of its own first"
            )
    for name, columns in _SHEET_COLUMNS.items():
        if name in files.texts:
            files.texts[name] = _in_sheet(files.texts[name], columns, old, new)
    for name, text in files.texts.items():
        if name.endswith(".toml"):
            files.texts[name] = _in_toml(text, old, new)
    if not _has_inputs(files, new):
        _write_inputs(files, [one for one in site.inputs if one.point == old], new)


def renamed(site: Site, old: str, new: str) -> Site:
    """The same site, with a point under another name."""

    def named(name: str | None) -> str | None:
        return new if name == old else name

    return replace(
        site,
        boards=tuple(replace(one, fed_by=named(one.fed_by)) for one in site.boards),
        points=tuple(
            replace(
                one,
                name=new if one.name == old else one.name,
                below=named(one.below),
                aliases=(*one.aliases, old) if one.name == old else one.aliases,
            )
            for one in site.points
        ),
        instruments=tuple(replace(one, point=named(one.point) or "") for one in site.instruments),
        inputs=tuple(replace(one, point=named(one.point) or "") for one in site.inputs),
        consumers=tuple(replace(one, point=named(one.point)) for one in site.consumers),
        allocations=tuple(
            replace(one, points=tuple(named(point) or "" for point in one.points)) for one in site.allocations
        ),
    )


def same(one: Site, other: Site) -> bool:
    """Whether two sites mean the same, whatever the order of their rows."""
    return _meaning(one) == _meaning(other)


def _meaning(site: Site) -> Site:
    return replace(
        site,
        points=tuple(sorted((replace(p, aliases=tuple(sorted(p.aliases))) for p in site.points), key=repr)),
        instruments=tuple(sorted(site.instruments, key=repr)),
        inputs=tuple(sorted((replace(one, where="") for one in site.inputs), key=repr)),
        _by_name={},
    )


# -- spreadsheets ------------------------------------------------------------------------------------------------------


def _in_sheet(text: str, columns: tuple[str, ...], old: str, new: str) -> str:
    sheet = SheetText(text)
    for i, row in enumerate(sheet.rows):
        if row.get("point") == old:
            for column in ("address", "field"):
                if "{point}" in row.get(column, ""):  # what the meter sends under does not change with the name here
                    sheet = sheet.with_value(i, column, row[column].replace("{point}", old))
            if "below" in columns:
                sheet = sheet.with_value(i, "aliases", " ".join([*row.get("aliases", "").split(), old]))
        for column in columns:
            if row.get(column) == old:
                sheet = sheet.with_value(i, column, new)
    return sheet.text


# -- TOML --------------------------------------------------------------------------------------------------------------


def _in_toml(text: str, old: str, new: str) -> str:
    """Every value that names the point changed where it stands, last ones first so that places stay true."""
    mark, body = (_MARK, text[1:]) if text.startswith(_MARK) else ("", text)
    values, places = tomllib.loads(body), key_places(body)
    lines = body.split("\n")
    begins = [0]
    for one in lines:
        begins.append(begins[-1] + len(one) + 1)
    found = []
    for path, _ in _named(values, old):
        key = path
        while key and key not in places:
            key = key[:-1]
        if not key:
            raise ConfigError(f"cannot find where {old} stands in a TOML file; rename it by hand")
        line, column = places[key]
        found.append((begins[line - 1] + column - 1, path))
    literal = re.compile(rf"""(["']){re.escape(old)}\1""")
    for offset, path in sorted(found, reverse=True):
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
        for key, one in value.items():
            yield from _named(one, old, (*path, key))
    elif isinstance(value, list):
        for index, one in enumerate(value):
            yield from _named(one, old, (*path, index))
    elif value == old and any(step in _KEYS for step in path[-2:]) and isinstance(value, str):
        yield path, value


# -- inputs that held for every point ----------------------------------------------------------------------------------


def _has_inputs(files: PlanFiles, new: str) -> bool:
    if INPUTS in files.texts and any(row.get("point") == new for row in SheetText(files.texts[INPUTS]).rows):
        return True
    rows = tomllib.loads(files.texts[files.main].removeprefix(_MARK)).get("input", [])
    return any(row.get("point") == new for row in rows)


def _write_inputs(files: PlanFiles, inputs: list[Input], new: str) -> None:
    """Rows of its own for a point that was read by rows for every point: their address would follow the new name."""
    rows = [_cells(one, new) for one in inputs]
    if files.is_folder:
        names = ("point", "register", "source", "address", "field", "unit", "scale", "time_field")
        sheet = SheetText(files.texts.get(INPUTS, ",".join(names) + "\n"))
        for row in rows:
            sheet = sheet.with_row(row)
        files.texts[INPUTS] = sheet.text
        return
    text = files.texts[files.main]
    line_end = "\r\n" if "\r\n" in text else "\n"
    for row in rows:
        keys = [f"{key} = {_toml(key, value)}" for key, value in row.items()]
        text = text.rstrip() + line_end * 2 + line_end.join(["[[input]]", *keys]) + line_end
    files.texts[files.main] = text


def _cells(one: Input, new: str) -> dict[str, str]:
    factor = "" if one.scale == 1 else format(one.scale, ".17g")
    scale = ("ct*" + factor if factor else "ct") if one.per_ct else factor
    found = {
        "point": new, "register": one.register, "source": one.source, "address": one.address, "field": one.field,
        "unit": one.unit, "scale": scale, "time_field": one.time_field,
    }  # fmt: skip
    return {key: value for key, value in found.items() if value}


def _toml(key: str, value: str) -> str:
    if key == "scale" and not value.startswith("ct"):
        return value
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
