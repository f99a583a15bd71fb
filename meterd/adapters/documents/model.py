"""A document before it is written: title, texts and tables in order, in values that PDF and spreadsheet both understand."""

from dataclasses import dataclass
from typing import Literal

from meterd.core.energy.load_profile import HoursByDays


@dataclass(frozen=True, slots=True)
class Number:
    """A number with its decimals; the unit stands in the heading of its column, or here where there is none."""

    value: float
    decimals: int = 1
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment in ms UTC, shown in the zone of the site to the minute, or its date alone."""

    ms: int
    date_only: bool = False


Cell = str | Number | Moment


@dataclass(frozen=True, slots=True)
class Column:
    """A column: heading with unit, width in millimetres on paper, and the side its cells lean to.

    With `two_lines` a time may have its hour below its date.
    """

    heading: str
    width_mm: float
    side: Literal["left", "right"] = "left"
    two_lines: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; becomes a bookmark. `level` 1 is a chapter."""

    text: str
    level: int = 1


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph. `kind` says what for: plain, a note in small letters, or a caution in a frame."""

    text: str
    kind: Literal["plain", "note", "caution"] = "plain"


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of word and value, one below the other."""

    title: str
    pairs: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings that are repeated on each page. `name` is the sheet of a workbook; `sums` last rows are sums.

    `tall` rows leave room to write by hand.
    """

    name: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    sums: int = 0
    tall: bool = False


@dataclass(frozen=True, slots=True)
class Series:
    """One row of bars, None where the figure is missing."""

    name: str
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars over time on paper; their figures as a table in a workbook.

    `missing` is the word for a gap, `first` heads the column of labels.
    """

    name: str
    unit: str
    labels: tuple[str, ...]
    series: tuple[Series, ...]
    missing: str
    first: str


@dataclass(frozen=True, slots=True)
class Course:
    """A chart of steps between `edges` (ms UTC) on paper; its figures as a table with a chart in a workbook.

    `form`: `lines`, or `stacked` areas. `decimals` are those of the table, `first` heads its column of times.
    """

    name: str
    unit: str
    form: Literal["lines", "stacked"]
    edges: tuple[int, ...]
    series: tuple[Series, ...]
    missing: str
    first: str
    decimals: int = 1


@dataclass(frozen=True, slots=True)
class HoursMap:
    """Mean power of the hours of each day: a map of tones on paper, a table with tones in a workbook.

    `first` heads the column of days, `missing` is the word for a gap.
    """

    name: str
    hours: HoursByDays
    missing: str
    first: str


@dataclass(frozen=True, slots=True)
class Sign:
    """Lines to sign on, one for each role."""

    roles: tuple[str, ...]
    words: tuple[str, str, str]  # name, date, signature


Block = Heading | Text | Facts | Table | Bars | Course | HoursMap | Sign


@dataclass(frozen=True, slots=True)
class Document:
    """A whole document. `foot` stands on every page, `page` is the pattern of its number with {page} and {pages}.

    `side` is the side of the sheet that lies below: tables of many columns want the long one.
    """

    title: str
    subject: str
    lang: str
    zone: str
    foot: str
    page: str
    blocks: tuple[Block, ...]
    side: Literal["short", "long"] = "short"
