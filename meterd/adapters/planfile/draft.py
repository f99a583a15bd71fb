"""The plan while it is being read: checked rows by kind, before they become a `Site`."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from zoneinfo import ZoneInfo

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
    PointRow,
    SiteTable,
    SourceRow,
    StoreTable,
    Table,
    TariffRow,
)
from meterd.core.model.plan_part import PlanPart


@dataclass(frozen=True, slots=True)
class Difference:
    """What one copy of a pattern has otherwise than the drawing: for the summary of the check."""

    copy: str
    subject: str
    key: str
    drawn: str
    here: str


@dataclass(frozen=True, slots=True)
class Copies:
    """One [[repeat]]: the pattern, the numbers of its copies and how they differ."""

    pattern: str
    numbers: tuple[str, ...]
    differences: tuple[Difference, ...] = ()
    points: tuple[tuple[str, tuple[str, ...]], ...] = ()  # name as drawn, with {n}, and the names of its copies


@dataclass(slots=True)
class Draft:
    """All checked rows; `gaps` and `lost` tell what is not among them because it could not be read."""

    site: Entry[SiteTable] | None = None
    zone: ZoneInfo | None = None
    broker: Entry[BrokerTable] | None = None
    store: Entry[StoreTable] | None = None
    limits: Entry[Table] | None = None
    sharing: Entry[Table] | None = None
    notify: Entry[Table] | None = None
    schedule: Entry[Table] | None = None
    line_store: Entry[Table] | None = None
    page: Entry[Table] | None = None
    login: Entry[Table] | None = None
    forecast: Entry[ForecastTable] | None = None
    boards: list[Entry[BoardRow]] = field(default_factory=list)
    sources: list[Entry[SourceRow]] = field(default_factory=list)
    points: list[Entry[PointRow]] = field(default_factory=list)
    instruments: list[Entry[InstrumentRow]] = field(default_factory=list)
    inputs: list[Entry[InputRow]] = field(default_factory=list)
    consumers: list[Entry[ConsumerRow]] = field(default_factory=list)
    allocations: list[Entry[AllocationRow]] = field(default_factory=list)
    tariff: list[Entry[TariffRow]] = field(default_factory=list)
    baselines: list[Entry[BaselineRow]] = field(default_factory=list)
    outdoor: tuple[tuple[int, float], ...] = ()  # start of a day, mean temperature
    carbon: dict[str, tuple[tuple[int, Fraction | None], ...]] = field(default_factory=dict)  # by file, factors by time
    files: list[PlanPart] = field(default_factory=list)
    copies: list[Copies] = field(default_factory=list)
    # by kind, the names of rows that are too faulty to keep: written somewhere, so a reference to them is no second fault
    lost: dict[str, set[str]] = field(default_factory=dict)
    indexes: dict[str, dict[str, int]] = field(default_factory=dict)
    # kinds of which some rows could not be read: what is missed may stand there
    gaps: set[str] = field(default_factory=set)

    def knows(self, kind: str, name: str) -> bool:
        """Whether a board, point or source of that name is declared, or may stand in what could not be read."""
        return kind in self.gaps or name in self.lost.get(kind, ()) or name in self._index(kind)

    def named(self, kind: str) -> list[str]:
        """The names declared for a kind, in order."""
        return sorted(self._index(kind))

    def point(self, name: str) -> Entry[PointRow] | None:
        """The row of a point; the first if a faulty plan has several."""
        index = self._index("point").get(name)
        return None if index is None else self.points[index]

    def _index(self, kind: str) -> dict[str, int]:
        """Name to place in the list; made once, when the lists are complete (a plan may have ten thousand points)."""
        if kind not in self.indexes:
            if kind == "board":
                names = [entry.data.name for entry in self.boards]
            elif kind == "source":
                names = [entry.data.name for entry in self.sources]
            else:
                names = [entry.data.point for entry in self.points]
            self.indexes[kind] = {name: index for index, name in reversed(list(enumerate(names)))}
        return self.indexes[kind]


def only(entries: Iterable[Entry[BoardRow]] | Iterable[Entry[SourceRow]]) -> str | None:
    """The name if there is exactly one."""
    results = [entry.data.name for entry in entries]
    return results[0] if len(results) == 1 else None
