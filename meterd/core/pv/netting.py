"""What PV did in a span, netted over two lengths: per interval as it is booked, and per hour as some contracts net it.

Netting over longer times hides export: what went out at noon and came in at a quarter past cancels. Both figures stand side
by side so that nobody takes one for the other.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from meterd.core.model.periods import HOUR_MS
from meterd.core.model.results import PvRow
from meterd.core.pv.figures import ratio


@dataclass(frozen=True, slots=True)
class Netted:
    """Energies in mWh netted over one length of time, and the ratios that follow; None = undefined.

    `known` of `of` periods had all their figures; the others are in none of the sums.
    """

    length_s: int
    production: int
    export: int
    self_use: int
    grid_import: int
    self_consumption: float | None
    self_sufficiency: float | None
    known: int
    of: int


def netted(rows: Sequence[PvRow], length_ms: int) -> Netted:
    """Interval rows netted over `length_ms` (a multiple of their own): imports and exports of a period cancel.

    A period counts only if every row in it is known; rows are grouped by whole lengths since 1970 UTC, which are local
    hours wherever the offset is one of whole hours.

    >>> row = lambda at, imported, exported: PvRow("interval", at, at + 900_000, 5, imported, exported, 0, 0, False)
    >>> quarter, hour = (netted([row(0, 3, 0), row(900_000, 0, 4)], length) for length in (900_000, 1_800_000))
    >>> quarter.export, hour.export, hour.self_use
    (4, 1, 9)
    """
    groups: dict[int, list[PvRow]] = {}
    for row in rows:
        groups.setdefault(row.start_ms // length_ms, []).append(row)
    results = [total for some in groups.values() if (total := _sum(some, length_ms)) is not None]
    production = sum(item[0] for item in results)
    imported = sum(max(0, item[1]) for item in results)
    export = sum(max(0, -item[1]) for item in results)
    self_use = sum(item[0] - min(item[0], max(0, -item[1])) for item in results)
    return _with_ratios(length_ms // 1000, (production, imported, export, self_use), len(results), len(groups))


def _sum(rows: Iterable[PvRow], length_ms: int) -> tuple[int, int] | None:
    """Production and net draw of a period in mWh; None if one of its rows is missing or incomplete."""
    production = draw = covered = 0
    for row in rows:
        if row.production is None or row.grid_import is None or row.grid_export is None:
            return None
        production += row.production
        draw += row.grid_import - row.grid_export
        covered += row.end_ms - row.start_ms
    return (production, draw) if covered == length_ms else None


def counted(rows: Sequence[PvRow]) -> Netted:
    """The same energies as the meters counted them, each direction for itself: what is stored. Its length is 0.

    With several feeds one may export while another imports, and within an interval both directions may count: neither is
    netted here, so export and import are at least those of any netting.

    >>> row = lambda at, imported, exported: PvRow("interval", at, at + 900_000, 5, imported, exported, 4, 6, False)
    >>> found = counted([row(0, 3, 1), row(900_000, 0, 1)])
    >>> found.export, found.grid_import, found.self_use
    (2, 3, 8)
    """
    known = [
        (row.production, row.grid_import, row.grid_export, row.self_use)
        for row in rows
        if None not in (row.production, row.grid_import, row.grid_export, row.self_use)
    ]
    production, imported, export, self_use = (sum(item[i] or 0 for item in known) for i in range(4))
    return _with_ratios(0, (production, imported, export, self_use), len(known), len(rows))


def _with_ratios(length_s: int, sums: tuple[int, int, int, int], known: int, of: int) -> Netted:
    """`sums`: production, import, export and self-use in mWh."""
    production, imported, export, self_use = sums
    return Netted(
        length_s=length_s,
        production=production,
        export=export,
        self_use=self_use,
        grid_import=imported,
        self_consumption=ratio(self_use, production),
        self_sufficiency=ratio(self_use, self_use + imported),
        known=known,
        of=of,
    )


def two_nettings(rows: Sequence[PvRow], interval_ms: int) -> tuple[Netted, Netted]:
    """Per interval and per hour."""
    return netted(rows, interval_ms), netted(rows, max(HOUR_MS, interval_ms))
