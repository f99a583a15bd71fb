"""A list of meters as somebody keeps it (spreadsheet, CSV) to points of a new plan; what is guessed is said."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from meterd.adapters.planfile.name_rules import suggestion
from meterd.adapters.sources.old_readings.container import contents
from meterd.adapters.sources.old_readings.grid import Grid, grid_of
from meterd.core.errors import SourceError
from meterd.core.model.names import spelled
from meterd.core.model.plan import Role

FIRST_ROWS = 30  # among which the titles of the columns stand
FEWEST_TITLES = 2
# words in the title of a column, without umlauts and blanks; the first column of the plan that fits takes it
COLUMNS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("ct_class", ("ctclass", "wandlerklasse", "klassewandler", "classct")),
    ("ct_ratio", ("ctratio", "wandler", "uebersetzung", "ratio", "transformer")),
    ("meter_class", ("meterclass", "class", "klasse", "genauigkeit", "accuracy")),
    (
        "serial",
        ("serial", "zaehlernummer", "zaehlernr", "seriennummer", "fabriknummer", "sernr", "meterno", "meternumber"),
    ),
    ("rating_a", ("rating", "nennstrom", "sicherung", "absicherung", "fuse", "breaker", "ampere", "bemessungsstrom")),
    ("designation", ("designation", "bmk", "betriebsmittel", "kennzeichen", "reference")),
    ("tenant", ("tenant", "mieter", "nutzer", "pachter")),
    ("address", ("topic", "address", "adresse")),
    ("place", ("place", "raum", "room", "location", "standort", "ort")),
    ("board", ("board", "verteilung", "verteiler", "panel", "uv")),
    ("role", ("role", "rolle", "art", "typ", "funktion", "function", "kind")),
    ("point", ("point", "messstelle", "messpunkt", "kuerzel", "shortname", "id")),
    (
        "title",
        ("title", "bezeichnung", "beschreibung", "description", "verbraucher", "abgang", "consumer", "load", "name"),
    ),
)
ROLE_WORDS: tuple[tuple[Role, tuple[str, ...]], ...] = (
    (Role.PV, ("pv", "photovoltaik", "photovoltaic", "solar", "wechselrichter", "inverter")),
    (Role.STORAGE, ("speicher", "batterie", "battery", "storage")),
    (Role.BACKUP, ("notstrom", "ersatzstrom", "generator", "backup", "aggregat")),
    (Role.FEED, ("feed", "einspeis", "netz", "grid", "trafo", "transformer", "hauptzaehler", "mainmeter", "shore")),
    (Role.FEEDER, ("feeder", "abgang", "verbraucher", "load", "consumer")),
)


@dataclass(slots=True)
class ListedPoint:
    """One row of a list: values by column of the plan, and what of it is guessed, in words."""

    values: dict[str, str]
    guesses: list[str] = field(default_factory=list)
    row: int = 0

    @property
    def name(self) -> str:
        """The name of the point."""
        return self.values["point"]


@dataclass(frozen=True, slots=True)
class PointList:
    """Points of a list in its order, which title became which column, and titles that are not used."""

    points: tuple[ListedPoint, ...]
    columns: Mapping[str, str]
    unused: tuple[str, ...]


def read_points(path: Path) -> PointList:
    """The points of a list. SourceError if it is no table, or no row names a point."""
    content = contents(path)[0]
    grid = grid_of(content)
    first, titles = _titles(grid)
    columns = _columns(titles)
    if "point" not in columns.values() and "title" not in columns.values():
        shown = ", ".join(repr(title) for title in titles if title)
        raise SourceError(
            f"cannot read {path}: no column names the points; call one 'point' or 'title'; it has {shown}"
        )
    points: list[ListedPoint] = []
    taken: set[str] = set()
    for row in range(first + 1, len(grid.rows)):
        cells = {columns[place]: str(grid.cells[place][row]).strip() for place in columns}
        point = listed_point({key: value for key, value in cells.items() if value}, int(grid.rows[row]), taken)
        if point is not None:
            points.append(point)
            taken.add(spelled(point.name))
    if not points:
        raise SourceError(f"cannot read {path}: no row below {', '.join(filter(None, titles))} names a point")
    unused = tuple(title for place, title in enumerate(titles) if title and place not in columns)
    return PointList(tuple(points), {column: titles[place] for place, column in columns.items()}, unused)


def _titles(grid: Grid) -> tuple[int, list[str]]:
    """The row with the most titles that are columns of a plan."""

    def known(row: int) -> int:
        return len(_columns([str(column[row]) for column in grid.cells]))

    rows = range(min(FIRST_ROWS, len(grid.rows)))
    best = max(rows, key=lambda row: (known(row), -row), default=0)
    if not len(grid.rows) or known(best) < min(FEWEST_TITLES, grid.width):
        raise SourceError(f"cannot read {grid.name}: no row has titles such as point, title, role, rating, serial")
    return best, [" ".join(str(column[best]).split()) for column in grid.cells]


def _columns(titles: Sequence[str]) -> dict[int, str]:
    """Which title is which column of the plan; each column once, the more special words first."""
    results: dict[int, str] = {}
    for column, tokens in COLUMNS:
        for exact in (True, False):
            place = next(
                (p for p, title in enumerate(titles) if p not in results and _means(title, tokens, exact=exact)), None
            )
            if place is not None and column not in results.values():
                results[place] = column
    return results


def _means(title: str, tokens: Sequence[str], *, exact: bool) -> bool:
    key = spelled(title)
    return key in tokens if exact else any(word in key for word in tokens if len(word) > 3)


def listed_point(cells: dict[str, str], row: int, taken: set[str]) -> ListedPoint | None:
    """The point of one row, None if its cells name none; `taken` holds the spelled names of the points before."""
    written = cells.get("point") or cells.get("title") or ""
    if not written or not suggestion(written):
        return None
    values = {
        key: cells[key] for key in ("title", "place", "tenant", "designation", "serial", "address") if key in cells
    }
    point = ListedPoint(values | {"point": unique_name(suggestion(written), taken)}, row=row)
    if point.name != written:
        values.setdefault("title", written)
        point.values.setdefault("title", written)
    point.values["board"] = suggestion(cells.get("board", "")) or "main"
    point.values["role"] = _role(cells, point)
    _numbers(cells, point)
    return point


def unique_name(name: str, taken: set[str]) -> str:
    """The name, with a number behind it if it is taken; `taken` holds spelled names."""
    count = 1
    while spelled(name if count == 1 else f"{name}-{count}") in taken:
        count += 1
    return name if count == 1 else f"{name}-{count}"


def _role(cells: Mapping[str, str], point: ListedPoint) -> str:
    kind = spelled(cells.get("role", ""))
    if kind in {role.value for role in Role}:
        return kind
    for text, where in ((kind, "its kind"), (spelled(f"{point.name} {cells.get('title', '')}"), "its name")):
        role, guess = role_by(text, where)
        if guess:
            point.guesses.append(guess)
            return role
    point.guesses.append("role feeder")
    return str(Role.FEEDER)


def role_by(text: str, where: str) -> tuple[str, str]:
    """The role that a spelled name speaks of, and the guess in words; `feeder` and no words if it speaks of none.

    >>> role_by("pvroof", "its name")
    ('pv', 'role pv, by its name')
    """
    role = next((kind for kind, tokens in ROLE_WORDS if text and any(word in text for word in tokens)), None)
    return (str(Role.FEEDER), "") if role is None else (str(role), f"role {role}, by {where}")


_AMPERES = re.compile(r"([0-9]+(?:[.,][0-9]+)?) ?A?$", re.IGNORECASE)
_RATIO = re.compile(r"([0-9]+) ?A? ?[/:] ?([0-9]+)")
_CLASS = re.compile(r"^(?:kl\.?|cl\.?|klasse|class)? ?(0[.,][125]S?|[123]|[ABC])$", re.IGNORECASE)


def _numbers(cells: Mapping[str, str], point: ListedPoint) -> None:
    """Rating, ratio and classes, as far as they can be read; what cannot is said and left out."""
    for column, pattern in (
        ("rating_a", _AMPERES),
        ("ct_ratio", _RATIO),
        ("meter_class", _CLASS),
        ("ct_class", _CLASS),
    ):
        if column not in cells:
            continue
        match = pattern.search(cells[column])
        if match is None:
            point.guesses.append(f"{column} left out: {cells[column]!r} is not understood")
        elif column == "ct_ratio":
            point.values[column] = f"{match[1]}/{match[2]}"
            point.guesses.append("the registers show the primary side; if not, its inputs need scale = ct")
        else:
            point.values[column] = match[1].replace(",", ".")
