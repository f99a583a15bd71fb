"""Reads the files of a plan into a draft: all tables, all CSV files, all patterns, noting every fault."""

import json
from collections.abc import Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.carbon_values import carbon_values
from meterd.adapters.planfile.checks.site import zone_of
from meterd.adapters.planfile.csv_reader import read_csv_file
from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.missing_files import missing_sheets, sheets_beside
from meterd.adapters.planfile.name_rules import SECRET_RULE, instead, is_secret, nearest
from meterd.adapters.planfile.outdoor_values import outdoor_values
from meterd.adapters.planfile.patterns import KINDS, Repeat, Rows, numbers, pattern_faults, stamp
from meterd.adapters.planfile.row import Row, read_text
from meterd.adapters.planfile.schema import (
    AllocationRow,
    BaselineRow,
    BoardRow,
    BrokerTable,
    ConsumerRow,
    Entry,
    ForecastTable,
    InputRow,
    InstrumentRow,
    LimitsTable,
    LineStoreTable,
    LoginTable,
    M,
    NotifyTable,
    PageTable,
    PointRow,
    RepeatRow,
    ScheduleTable,
    SharingTable,
    SiteTable,
    SourceRow,
    StoreTable,
    TariffRow,
    check,
    csv_columns,
)
from meterd.adapters.planfile.times import moment_ms
from meterd.adapters.planfile.toml_reader import Document, read_toml, table, tables
from meterd.core.model.plan_part import PlanPart

SITE_FILE = "site.toml"
CSV_FILES = {"point": "points.csv", "instrument": "instruments.csv", "input": "inputs.csv", "consumer": "consumers.csv"}
PATTERNS = "patterns"
MAPPING_FILE = "columns.toml"  # of old readings; `meterd replay` reads it
TOP_KEYS = (
    "site",
    "broker",
    "store",
    "limits",
    "sharing",
    "notify",
    "schedule",
    "line_store",
    "page",
    "login",
    "forecast",
    "board",
    "source",
    "repeat",
    "allocation",
    "tariff",
    "baseline",
    *KINDS,
)


def load(path: Path, notes: Notes) -> Draft:
    """The draft of a plan folder, or of a single TOML file."""
    draft = Draft()
    folder, main = (path, path / SITE_FILE) if path.is_dir() else (path.parent, path)
    document = _document(main, main.name, notes)
    if not document.whole:
        draft.gaps.update(("board", "source", *KINDS))
    _check_keys(document, TOP_KEYS, notes)
    _read_tables(document, draft, notes)
    if draft.site is not None and draft.site.data.tariff:
        _read_tariff(draft, draft.site, folder, notes)
    _read_carbon(draft, folder, notes)
    if draft.site is not None and draft.site.data.temperature:
        draft.outdoor = outdoor_values(draft.site, folder, draft.zone, notes)
    own: Rows = {kind: tables(document, kind, notes) for kind in KINDS}
    if path.is_dir():
        draft.gaps |= missing_sheets(folder, CSV_FILES, own, notes)
        for kind, name in CSV_FILES.items():
            own[kind].extend(_csv_file(folder / name, kind, draft, notes))
        named = (draft.site.data.temperature, draft.site.data.tariff) if draft.site is not None else ()
        _check_files(folder, (*draft.carbon, *named), notes)
    elif main.name == SITE_FILE:
        draft.gaps |= sheets_beside(path, CSV_FILES, own, notes)
    stamped = _stamped(document, folder, own, draft=draft, notes=notes)
    rows = {kind: own[kind] + stamped[kind] for kind in KINDS}
    draft.points = _checked(PointRow, rows["point"], "point", draft=draft, notes=notes)
    draft.instruments = _checked(InstrumentRow, rows["instrument"], "instrument", draft=draft, notes=notes)
    draft.inputs = _checked(InputRow, rows["input"], "input", draft=draft, notes=notes)
    draft.consumers = _checked(ConsumerRow, rows["consumer"], "consumer", draft=draft, notes=notes)
    if not rows["point"] and "point" not in draft.gaps:
        right = f"write {CSV_FILES['point']}" if path.is_dir() else "write [[point]] tables"
        notes.fault(Place(main.name), "the plan has no point", right)
    _forget_missing(document, notes)
    return draft


def load_tariff_rows(path: Path, zone: ZoneInfo, notes: Notes) -> Draft:
    """The draft of a file with nothing but [[tariff]]."""
    draft = Draft(zone=zone)
    _tariff_file(path, draft, notes)
    _read_carbon(draft, path.parent, notes)
    return draft


def _tariff_file(path: Path, draft: Draft, notes: Notes) -> None:
    """Add the rows of a file with nothing but [[tariff]]."""
    document = _document(path, path.name, notes)
    _check_keys(document, ("tariff",), notes)
    rows = _checked(TariffRow, tables(document, "tariff", notes), "tariff", draft=draft, notes=notes)
    if document.whole and not document.values.get("tariff"):
        notes.fault(Place(path.name), "the file has no [[tariff]]", "write one for each line of the bill")
    draft.tariff += rows
    begins = (0 if entry.data.from_ is None else moment_ms(entry.data.from_, draft.zone) for entry in rows)
    draft.files.append(PlanPart(path.name, _digest(document), max(begins, default=0)))


def _read_tariff(draft: Draft, site: Entry[SiteTable], folder: Path, notes: Notes) -> None:
    """The file that `tariff` of [site] names; its rows stand behind those of the plan itself."""
    name = site.data.tariff
    if Path(name).name != name or not (folder / name).is_file():
        what = f"{name} with the tariff is no file beside the plan"
        notes.fault(site.row.at("tariff"), what, "name a file in the folder of the plan, such as tariff.toml")
    else:
        _tariff_file(folder / name, draft, notes)


def _digest(document: Document) -> str:
    """Twelve digits of the SHA-256 of the values: comments and line ends do not count."""
    return sha256(json.dumps(document.values, sort_keys=True, default=str).encode()).hexdigest()[:12]


def _read_carbon(draft: Draft, folder: Path, notes: Notes) -> None:
    for entry in draft.tariff:
        if entry.data.values and entry.data.values not in draft.carbon:
            draft.carbon[entry.data.values] = carbon_values(entry, folder, draft.zone, notes)


def _forget_missing(document: Document, notes: Notes) -> None:
    """A key on a line that could not be read is written: it is not missed as well."""
    missed = {f"{key} is missing" for key in document.broken}
    for fault in [fault for fault in notes.faults if fault.file == document.name and fault.what in missed]:
        del notes.faults[fault]


def _document(path: Path, name: str, notes: Notes) -> Document:
    text = read_text(path, name, notes)
    document = Document(name, {}, {}, whole=False) if text is None else read_toml(text, name, notes)
    for path_, key in _keys(document.values):
        if is_secret(key):
            notes.fault(document.place(*path_), f"{key} in the plan", SECRET_RULE)
    return document


def _keys(values: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every key of a document with its path, at any depth."""
    if isinstance(values, Mapping):
        for key, value in values.items():
            yield (*path, key), key
            yield from _keys(value, (*path, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from _keys(value, (*path, index))


def _check_keys(document: Document, known: tuple[str, ...], notes: Notes) -> None:
    for key in document.values:
        if key not in known and not is_secret(key):
            notes.fault(document.place(key), f"unknown table or key {key[:60]!r}", instead(key, known))


def _read_tables(document: Document, draft: Draft, notes: Notes) -> None:
    draft.site = _single(document, "site", SiteTable, notes)
    draft.broker = _single(document, "broker", BrokerTable, notes)
    draft.store = _single(document, "store", StoreTable, notes)
    draft.limits = _single(document, "limits", LimitsTable, notes)
    draft.sharing = _single(document, "sharing", SharingTable, notes)
    draft.notify = _single(document, "notify", NotifyTable, notes)
    draft.schedule = _single(document, "schedule", ScheduleTable, notes)
    draft.line_store = _single(document, "line_store", LineStoreTable, notes)
    draft.page = _single(document, "page", PageTable, notes)
    draft.login = _single(document, "login", LoginTable, notes)
    draft.forecast = _single(document, "forecast", ForecastTable, notes)
    draft.boards = _checked(BoardRow, tables(document, "board", notes), "board", draft=draft, notes=notes)
    draft.allocations = _checked(
        AllocationRow, tables(document, "allocation", notes), "allocation", draft=draft, notes=notes
    )
    draft.tariff = _checked(TariffRow, tables(document, "tariff", notes), "tariff", draft=draft, notes=notes)
    draft.baselines = _checked(BaselineRow, tables(document, "baseline", notes), "baseline", draft=draft, notes=notes)
    draft.sources = _checked(SourceRow, tables(document, "source", notes), "source", draft=draft, notes=notes)
    if "site" not in document.values:
        if document.whole:
            notes.fault(Place(document.name), "the table [site] is missing", "write [site] with name and zone")
    elif draft.site is not None and draft.site.sound("zone"):
        draft.zone = zone_of(draft.site.data.zone, draft.site.row.at("zone"), notes)


def _single(document: Document, key: str, model: type[M], notes: Notes) -> Entry[M] | None:
    row = table(document, key, notes)
    return None if row is None else check(model, row, notes)


def _checked(model: type[M], rows: list[Row], kind: str, *, draft: Draft, notes: Notes) -> list[Entry[M]]:
    """The entries of all rows; names of rows that are lost stay known, so that nobody misses them."""
    entries: list[Entry[M]] = []
    for row in rows:
        entry = check(model, row, notes)
        if entry is not None:
            entries.append(entry)
        else:
            key = "point" if kind in ("instrument", "input") else kind
            name = row.values.get(key, row.values.get("name"))
            draft.lost.setdefault(kind, set()).add(str(name))
    return entries


def _csv_file(path: Path, kind: str, draft: Draft, notes: Notes) -> list[Row]:
    if not path.exists():
        return []
    text = read_text(path, path.name, notes)
    if text is None:
        draft.gaps.add(kind)
        return []
    before = len(notes.faults)
    rows = read_csv_file(text, path.name, csv_columns(KINDS[kind]), notes)
    if len(notes.faults) > before:
        draft.gaps.add(kind)  # a row that could not be split may hold the name somebody else refers to
    return rows


def _check_files(folder: Path, named: tuple[str, ...], notes: Notes) -> None:
    """A file that looks like one of the plan but is not read."""
    known = (SITE_FILE, *CSV_FILES.values(), *named)
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in (".csv", ".toml") or path.name in (*known, MAPPING_FILE):
            continue
        near = nearest(path.name, known)
        if any(fault.file == path.name for fault in notes.faults):
            continue  # said already
        right = f"rename it to {near}" if near and not (folder / near).exists() else "move it out of the plan folder"
        (notes.fault if near else notes.warn)(Place(path.name), "the file is not read", right)


def _stamped(document: Document, folder: Path, own: Rows, *, draft: Draft, notes: Notes) -> Rows:
    """The rows of all copies of all patterns."""
    made: Rows = {kind: [] for kind in KINDS}
    patterns: dict[str, Rows | None] = {}
    fitted = {str(row.values.get("point")) for row in own["instrument"]}
    for index, row in enumerate(tables(document, "repeat", notes)):
        entry = check(RepeatRow, row, notes)
        if entry is None or not entry.sound("pattern"):
            draft.gaps.update(KINDS)
            continue
        name = entry.data.pattern
        if name not in patterns:
            patterns[name] = _pattern(folder, entry, draft, notes)
        pattern = patterns[name]
        all_numbers = numbers(entry, notes)
        if pattern is None or not all_numbers:
            draft.gaps.update(KINDS)  # the points it would have made are missing, and nobody shall wonder where
            continue
        pattern_faults(pattern, len(all_numbers), notes)
        copies, summary = stamp(Repeat(entry, pattern, document, ("repeat", index)), all_numbers, fitted, notes)
        draft.copies.append(summary)
        for kind, rows in copies.items():
            made[kind].extend(rows)
    return made


def _pattern(folder: Path, entry: Entry[RepeatRow], draft: Draft, notes: Notes) -> Rows | None:
    name = entry.data.pattern
    path = folder / PATTERNS / f"{name}.toml"
    if not path.is_file():
        results = sorted(other.stem for other in (folder / PATTERNS).glob("*.toml"))
        what = f"pattern {name} has no file {PATTERNS}/{name}.toml"
        notes.fault(entry.row.at("pattern"), what, instead(name, results))
        return None
    document = _document(path, f"{PATTERNS}/{name}.toml", notes)
    _check_keys(document, tuple(KINDS), notes)
    draft.files.append(PlanPart(document.name, _digest(document)))
    rows = {kind: tables(document, kind, notes) for kind in KINDS}
    return rows if document.whole else None
