"""The single-line diagram of a board from its plan: symbols, lines and texts with places, without knowing how they are drawn.

Sources stand above the busbar, feeders hang below it, in as many rows as they need. Energies stand on the arrows. Coordinates
are whole units with the origin at the top left; a unit is about a pixel.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.site import Board, Point, PointState, Role, Site

COLUMN = 118  # width of one branch: a title of sixteen letters
ROW = 236  # height of one row of feeders
PER_ROW = 8  # feeders of one row: readable on a desk, scrolled on a phone
MARGIN = 24
HEAD = 212  # height of the sources above the first busbar
LETTERS = 16  # of one line of a title
TITLE_LINES = 3


class Kind(StrEnum):
    """What a symbol stands for."""

    TRANSFORMER = "transformer"
    PV = "pv"
    BACKUP = "backup"
    STORAGE = "storage"
    BREAKER = "breaker"
    METER = "meter"  # with its current transformer where it has one
    ARROW_DOWN = "arrow-down"
    ARROW_UP = "arrow-up"


@dataclass(frozen=True, slots=True)
class Symbol:
    """A symbol with its middle at (x, y)."""

    kind: Kind
    x: int
    y: int
    point: str


@dataclass(frozen=True, slots=True)
class Line:
    """A conductor; a busbar is a thick one. `dashed`: not in service yet."""

    x1: int
    y1: int
    x2: int
    y2: int
    busbar: bool = False
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Label:
    """Words with the middle of their first line at (x, y); `role` is title, name, energy or mark."""

    x: int
    y: int
    lines: tuple[str, ...]
    role: str
    point: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """Everything to draw, and how large it is."""

    width: int
    height: int
    symbols: tuple[Symbol, ...]
    lines: tuple[Line, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True, slots=True)
class Flow:
    """What is written at a branch: its energy in words, whether it goes against the arrow, and a mark for the suspect."""

    words: str
    against: bool = False
    mark: str = ""


_SOURCES = {Role.FEED: Kind.TRANSFORMER, Role.PV: Kind.PV, Role.BACKUP: Kind.BACKUP, Role.STORAGE: Kind.STORAGE}


def draw(site: Site, board: Board, flows: Mapping[str, Flow]) -> Drawing:
    """The diagram of one board; points without a flow are drawn without energy, planned ones dashed, retired ones not."""
    here = [p for p in site.on_board(board.name) if p.state is not PointState.RETIRED]
    sources = [p for p in here if p.role in _SOURCES]
    feeders = [p for p in here if p.role is Role.FEEDER]
    rows = [feeders[i : i + PER_ROW] for i in range(0, len(feeders), PER_ROW)] or [[]]
    columns = max(len(sources), min(len(feeders), PER_ROW), 1)
    width = 2 * MARGIN + columns * COLUMN
    symbols: list[Symbol] = []
    lines: list[Line] = []
    labels: list[Label] = []
    for column, point in enumerate(sources):
        _source(point, _middle(column), (symbols, lines, labels), flows.get(point.name), board)
    spine = MARGIN // 2
    for number, row in enumerate(rows):
        bar = HEAD + number * ROW
        right = MARGIN + max(len(row), len(sources) if number == 0 else 0, 1) * COLUMN
        lines.append(Line(spine, bar, right, bar, busbar=True))
        if number:
            lines.append(Line(spine, bar - ROW, spine, bar, busbar=True))
        for column, point in enumerate(row):
            _feeder(site, point, (_middle(column), bar), (symbols, lines, labels), flows.get(point.name))
    return Drawing(width, HEAD + len(rows) * ROW, tuple(symbols), tuple(lines), tuple(labels))


_Parts = tuple[list[Symbol], list[Line], list[Label]]


def _middle(column: int) -> int:
    return MARGIN + column * COLUMN + COLUMN // 2


def _source(point: Point, x: int, parts: _Parts, flow: Flow | None, board: Board) -> None:
    """A source above the first busbar: title, symbol, meter, arrow, energy beside it."""
    symbols, lines, labels = parts
    dashed = not point.counts
    title = wrapped(point.title or point.name)
    labels.append(Label(x, 14, title, "title", point.name))
    kind = Kind.TRANSFORMER if point.role is Role.FEED and (board.rating_kva or board.fed_by is None) else None
    symbols.append(Symbol(kind or _SOURCES[point.role], x, 82, point.name))
    lines.append(Line(x, 104, x, HEAD, dashed=dashed))
    symbols.append(Symbol(Kind.METER, x, 128, point.name))
    symbols.append(Symbol(Kind.BREAKER, x, 160, point.name))
    if flow is not None:
        symbols.append(Symbol(Kind.ARROW_UP if flow.against else Kind.ARROW_DOWN, x, 196, point.name))
        labels.append(Label(x + 8, 188, (flow.words,), "energy", point.name))
        if flow.mark:
            labels.append(Label(x, 62, (flow.mark,), "mark", point.name))


def _feeder(site: Site, point: Point, at: tuple[int, int], parts: _Parts, flow: Flow | None) -> None:
    """A feeder below its busbar: breaker, meter, arrow, energy, title; a second bar below it where a board hangs."""
    symbols, lines, labels = parts
    x, bar = at
    dashed = not point.counts
    lines.append(Line(x, bar, x, bar + 124, dashed=dashed))
    symbols.append(Symbol(Kind.BREAKER, x, bar + 28, point.name))
    symbols.append(Symbol(Kind.METER, x, bar + 62, point.name))
    if flow is not None:
        symbols.append(Symbol(Kind.ARROW_UP if flow.against else Kind.ARROW_DOWN, x, bar + 112, point.name))
        labels.append(Label(x + 8, bar + 98, (flow.words,), "energy", point.name))
        if flow.mark:
            labels.append(Label(x, bar + 144, (flow.mark,), "mark", point.name))
    if any(one.fed_by == point.name for one in site.boards):
        lines.append(Line(x - 30, bar + 124, x + 30, bar + 124, busbar=True))
    labels.append(Label(x, bar + 162, wrapped(point.title or point.name), "title", point.name))


def wrapped(words: str, letters: int = LETTERS, most: int = TITLE_LINES) -> tuple[str, ...]:
    """Words broken into lines of so many letters; what does not fit ends with an ellipsis.

    >>> wrapped("Photovoltaics, mill hall 100 kW")
    ('Photovoltaics,', 'mill hall 100 kW')
    """
    found: list[str] = []
    for word in words.split():
        if found and len(found[-1]) + 1 + len(word) <= letters:
            found[-1] += " " + word
        else:
            found.append(word)
    short = [line if len(line) <= letters else line[: letters - 1] + "…" for line in found]
    if len(short) > most:
        short = [*short[: most - 1], short[most - 1][: letters - 1].rstrip() + "…"]
    return tuple(short)


def boxes(drawing: Drawing) -> Sequence[tuple[str, int, int, int, int]]:
    """The room that each symbol and label takes: (what, left, top, right, bottom), for whoever checks the layout."""
    found = [
        (f"{s.kind} {s.point}", s.x - 14, s.y - 14, s.x + 14, s.y + 14)
        for s in drawing.symbols
        if "arrow" not in s.kind
    ]
    for label in drawing.labels:
        if label.role == "energy":
            reach = 7 * max(len(line) for line in label.lines)
            found.append((f"energy {label.point}", label.x, label.y - 8, label.x + reach, label.y + 6))
        else:
            reach = 7 * max(len(line) for line in label.lines) // 2
            low = label.y + 15 * (len(label.lines) - 1) + 6
            found.append((f"{label.role} {label.point}", label.x - reach, label.y - 10, label.x + reach, low))
    return found
