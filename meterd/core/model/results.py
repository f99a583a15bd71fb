"""What is stored: one row per energy, balance and PV figure of a period. Energies in whole mWh, None = missing."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterd.core.model.periods import Period

Channel = tuple[str, str]  # point, OBIS code


@dataclass(frozen=True, slots=True)
class Anchor:
    """A reading from which the register can be followed again as if from its beginning.

    `raw` is what the register counted then (shown milli-units), `plateau_ms` since when it has stood at that value.
    """

    at_ms: int
    raw: int
    plateau_ms: int


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One energy of one register in one period. Intervals carry the anchor from which they can be recalculated."""

    channel: Channel
    period: Period
    start_ms: int
    energy: int | None
    flags: int
    anchor: Anchor | None = None


@dataclass(frozen=True, slots=True)
class BalanceRow:
    """One balance of one board in one period.

    `missing` names the points without energy, with the OBIS code where only one of two registers lacks ("t1 2.8.0").
    `reconciled` holds (point, mWh) of the flows that close the balance of an interval, empty where it is not computable.
    """

    board: str
    period: Period
    start_ms: int
    end_ms: int
    feed: int | None
    outgoing: int | None
    residual: int | None
    band: int | None
    verdict: str
    estimated: bool
    missing: tuple[str, ...] = ()
    uncovered: tuple[str, ...] = ()
    covered: int = 0
    of: int = 0
    reconciled: tuple[tuple[str, int], ...] = ()


def points_of(missing: Sequence[str]) -> tuple[str, ...]:
    """The points of what a balance misses.

    >>> points_of(("t1 2.8.0", "q01"))
    ('t1', 'q01')
    """
    return tuple(item.partition(" ")[0] for item in missing)


@dataclass(frozen=True, slots=True)
class PvRow:
    """PV figures of the site in one period, made per interval.

    `consumption` is an exact sum and may be below zero, where meters contradict each other; what is shown is `consumed`.
    """

    period: Period
    start_ms: int
    end_ms: int
    production: int | None
    grid_import: int | None
    grid_export: int | None
    self_use: int | None
    consumption: int | None
    estimated: bool

    @property
    def consumed(self) -> int | None:
        """The consumption as a figure."""
        return consumed(self.consumption)


def consumed(consumption: int | None) -> int | None:
    """A consumption in mWh as a figure: below zero there is none, since nothing consumes less than nothing.

    >>> consumed(5), consumed(-5)
    (5, None)
    """
    return None if consumption is None or consumption < 0 else consumption


@dataclass(frozen=True, slots=True)
class KnownSum:
    """Intervals of a register that are known in a span: the start of the first, how many they are, their energy in mWh."""

    first_ms: int | None
    known: int
    energy: int


@dataclass(frozen=True, slots=True)
class Largest:
    """The largest interval figure of a register in a span: its start, its energy in mWh, and how many figures are known."""

    start_ms: int
    energy: int
    known: int


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a figure: what it was, when it was written and why."""

    version: int
    energy: int | None
    flags: int
    written_ms: int
    reason: str
