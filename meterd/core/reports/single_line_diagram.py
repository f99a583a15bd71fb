"""The single-line diagram of a board from its plan: symbols, lines and texts with places, without knowing how they are drawn.

Sources stand above the busbar, feeders hang below it, in as many rows as they need. Energies stand on the arrows. Coordinates
are whole units with the origin at the top left; a unit is about a pixel.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from meterd.core.model.plan import Board, Point, PointState, Role, Site

COLUMN = 108  # width of one branch: a title of fifteen letters, an energy of eleven
ROW = 220  # height of one row of feeders
PER_ROW = 8  # feeders of one row: readable on a desk; a phone has a list
PER_WALL_ROW = 16  # of a wall, which is wide and low
MARGIN, RIGHT = 24, 56  # free at the left and at the right, where an energy reaches beyond its column
HEAD = 230  # height of the sources above the first busbar
LETTERS = 15  # of one line of a title
TITLE_LINES = 3
WORD = re.compile(r"\d[\d.,]* [kM]?(?:Wp|Wh|W|VA|A|V)(?=\s|$)|\S+")  # a number and its unit are one
LINE_HEIGHT = 15
LETTER_WIDTH, BOLD_WIDTH = 7, 9  # of titles; of energies and marks, in the widest of the page's typefaces


class Kind(StrEnum):
    """What a symbol stands for."""

    TRANSFORMER = "transformer"
    SUPPLY = "supply"  # from another board
    PV = "pv"
    BACKUP = "backup"
    STORAGE = "storage"
    BREAKER = "breaker"
    METER = "meter"  # in the conductor itself
    METER_CT = "meter-ct"  # at current transformers
    ARROW_DOWN = "arrow-down"
    ARROW_UP = "arrow-up"


METERS = (Kind.METER, Kind.METER_CT)
# how far a symbol reaches from its middle: left, up, right, down
EXTENT: dict[Kind, tuple[int, int, int, int]] = {
    Kind.TRANSFORMER: (15, 24, 15, 24),
    Kind.SUPPLY: (10, 20, 10, 24),
    Kind.PV: (32, 28, 17, 24),
    Kind.BACKUP: (19, 19, 19, 24),
    Kind.STORAGE: (17, 19, 17, 24),
    Kind.BREAKER: (10, 14, 9, 12),
    Kind.METER: (15, 11, 15, 11),
    Kind.METER_CT: (10, 11, 41, 11),
    Kind.ARROW_DOWN: (7, 10, 7, 10),
    Kind.ARROW_UP: (7, 10, 7, 10),
}


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
    """Words at (x, y), the foot of their first line: `energy` begins there, a `title` or `mark` has its middle there."""

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


@dataclass(slots=True)
class _DrawingBuilder:
    """A drawing in the making."""

    symbols: list[Symbol] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)


_SOURCES = {Role.FEED: Kind.TRANSFORMER, Role.PV: Kind.PV, Role.BACKUP: Kind.BACKUP, Role.STORAGE: Kind.STORAGE}


def draw(site: Site, board: Board, flows: Mapping[str, Flow], per_row: int = PER_ROW) -> Drawing:
    """The diagram of one board. Points without a flow have no arrow, planned ones hang dashed, retired ones are left out."""
    here = [p for p in site.on_board(board.name) if p.state is not PointState.RETIRED]
    sources = [p for p in here if p.role in _SOURCES]
    feeders = [p for p in here if p.role is Role.FEEDER]
    rows = [feeders[i : i + per_row] for i in range(0, len(feeders), per_row)] or [[]]
    columns = max(len(sources), min(len(feeders), per_row), 1)
    builder = _DrawingBuilder()
    for column, point in enumerate(sources):
        _source(site, point, _middle(column), builder=builder, flow=flows.get(point.name))
    spine = MARGIN // 2
    for number, row in enumerate(rows):
        bar = HEAD + number * ROW
        right = MARGIN + max(len(row), len(sources) if number == 0 else 0, 1) * COLUMN
        builder.lines.append(Line(spine, bar, right, bar, busbar=True))
        if number:
            builder.lines.append(Line(spine, bar - ROW, spine, bar, busbar=True))
        for column, point in enumerate(row):
            _feeder(site, point, (_middle(column), bar), builder=builder, flow=flows.get(point.name))
    size = MARGIN + columns * COLUMN + RIGHT, HEAD + len(rows) * ROW
    return Drawing(*size, tuple(builder.symbols), tuple(builder.lines), tuple(builder.labels))


def _middle(column: int) -> int:
    return MARGIN + column * COLUMN + COLUMN // 2


def _source(site: Site, point: Point, x: int, *, builder: _DrawingBuilder, flow: Flow | None) -> None:
    """A source above the first busbar: title, symbol, meter, breaker, arrow with the energy beside it."""
    builder.labels.append(Label(x, 14, wrapped(point.title or point.name), "title", point.name))
    builder.lines.append(Line(x, 122, x, HEAD, dashed=not point.counts))
    builder.symbols.append(Symbol(_source_kind(site, point), x, 98, point.name))
    builder.symbols.append(Symbol(_meter_kind(site, point), x, 146, point.name))
    builder.symbols.append(Symbol(Kind.BREAKER, x, 178, point.name))
    if flow is not None:
        builder.symbols.append(Symbol(Kind.ARROW_UP if flow.against else Kind.ARROW_DOWN, x, 218, point.name))
        builder.labels.append(Label(x + 8, 203, (flow.words,), "energy", point.name))
        if flow.mark:
            builder.labels.append(Label(x, 64, (flow.mark,), "mark", point.name))


def _feeder(site: Site, point: Point, at: tuple[int, int], *, builder: _DrawingBuilder, flow: Flow | None) -> None:
    """A feeder below its busbar: breaker, meter, arrow, energy, title; a second bar at its end where a board hangs."""
    x, bar = at
    builder.lines.append(Line(x, bar, x, bar + 124, dashed=not point.counts))
    builder.symbols.append(Symbol(Kind.BREAKER, x, bar + 28, point.name))
    builder.symbols.append(Symbol(_meter_kind(site, point), x, bar + 62, point.name))
    if flow is not None:
        builder.symbols.append(Symbol(Kind.ARROW_UP if flow.against else Kind.ARROW_DOWN, x, bar + 115, point.name))
        builder.labels.append(Label(x + 8, bar + 98, (flow.words,), "energy", point.name))
        if flow.mark:
            builder.labels.append(Label(x, bar + 142, (flow.mark,), "mark", point.name))
    if any(board.fed_by == point.name for board in site.boards):
        builder.lines.append(Line(x - 30, bar + 124, x + 30, bar + 124, busbar=True))
    builder.labels.append(Label(x, bar + 160, wrapped(point.title or point.name), "title", point.name))


def _source_kind(site: Site, point: Point) -> Kind:
    """A feed from another board has a transformer only where the plan gives one."""
    board = next(board for board in site.boards if board.name == point.board)
    if point.role is Role.FEED and board.fed_by is not None and board.rating_kva is None:
        return Kind.SUPPLY
    return _SOURCES[point.role]


def _meter_kind(site: Site, point: Point) -> Kind:
    """Current transformers are drawn where the newest instrument has them."""
    fitted = site.instruments_of(point.name)
    has_ct = bool(fitted) and (fitted[-1].ct_primary_a is not None or fitted[-1].ct_class is not None)
    return Kind.METER_CT if has_ct else Kind.METER


def wrapped(text: str, letters: int = LETTERS, most: int = TITLE_LINES) -> tuple[str, ...]:
    """Words broken into lines of so many letters; what does not fit ends with an ellipsis.

    >>> wrapped("Photovoltaics, weaving shed 50 kW")
    ('Photovoltaics,', 'weaving shed', '50 kW')
    >>> wrapped("Sole-Wasser-Wärmepumpe Nord")
    ('Sole-Wasser-', 'Wärmepumpe Nord')
    """
    results: list[str] = []
    for word in WORD.findall(text):
        for number, piece in enumerate(re.split("(?<=-)", word) if len(word) > letters else [word]):
            between = "" if number else " "
            if results and len(results[-1]) + len(between) + len(piece) <= letters:
                results[-1] += between + piece
            else:
                results.append(piece)
    short = [line if len(line) <= letters else line[: letters - 1] + "…" for line in results]
    if len(short) > most:
        short = [*short[: most - 1], short[most - 1][: letters - 1].rstrip() + "…"]
    return tuple(short)


def boxes(drawing: Drawing) -> Sequence[tuple[str, int, int, int, int]]:
    """The room that each symbol and label takes: (what, left, top, right, bottom), for whoever checks the layout."""
    results = []
    for symbol in drawing.symbols:
        left, up, right, down = EXTENT[symbol.kind]
        results.append(
            (f"{symbol.kind} {symbol.point}", symbol.x - left, symbol.y - up, symbol.x + right, symbol.y + down)
        )
    for label in drawing.labels:
        letters = max((len(line) for line in label.lines), default=0)
        foot = label.y + LINE_HEIGHT * (len(label.lines) - 1) + 4
        wide = letters * (LETTER_WIDTH if label.role == "title" else BOLD_WIDTH)
        left = label.x if label.role == "energy" else label.x - wide // 2
        results.append((f"{label.role} {label.point}", left, label.y - 11, left + wide, foot))
    return results
