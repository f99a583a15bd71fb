"""What the books hold: one row per energy, balance and PV figure of a period. Energies in whole mWh, None = missing."""

from dataclasses import dataclass

from meterd.interval import Period
from meterd.knots import Anchor

Channel = tuple[str, str]  # point, OBIS code


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One energy of one register in one period. Intervals carry the anchor from which they can be made again."""

    channel: Channel
    period: Period
    start_ms: int
    energy: int | None
    flags: int
    anchor: Anchor | None = None


@dataclass(frozen=True, slots=True)
class BalanceRow:
    """One balance of one board in one period.

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


@dataclass(frozen=True, slots=True)
class PvRow:
    """PV figures of the site in one period, made per interval."""

    period: Period
    start_ms: int
    end_ms: int
    production: int | None
    grid_import: int | None
    grid_export: int | None
    self_use: int | None
    consumption: int | None
    estimated: bool


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a figure: what it was, when it was written and why."""

    version: int
    energy: int | None
    flags: int
    written_ms: int
    reason: str
