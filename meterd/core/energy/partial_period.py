"""What is known of a period that begins before the history does, or that is not over: since when, up to when, how much."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.energy.aggregation import BoardAggregation, Parent, sum_pv
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.register_line import Bools, Ints

ColumnsOf = Callable[[Sequence[Channel], Period, Ints], Columns]


@dataclass(frozen=True, slots=True)
class PartialPeriod:
    """The part of a period in which there is history. `begins`: the history begins in it; `so_far`: it is not over."""

    from_ms: int
    until_ms: int
    begins: bool
    so_far: bool

    def starts(self, step_ms: int) -> Ints:
        """Its intervals."""
        return np.arange(self.from_ms, self.until_ms, step_ms, dtype=np.int64)


def partial_period_of(period: tuple[int, int], history: tuple[int, int] | None) -> PartialPeriod | None:
    """What of a period lies in the history [first, end); None if nothing does, or all of it: then its own figure stands.

    >>> partial_period_of((0, 100), (30, 80))
    PartialPeriod(from_ms=30, until_ms=80, begins=True, so_far=True)
    >>> partial_period_of((0, 100), (0, 100)) is None
    True
    """
    if history is None:
        return None
    low, high = max(period[0], history[0]), min(period[1], history[1])
    if low >= high or (low, high) == period:
        return None
    return PartialPeriod(low, high, low > period[0], high < period[1])


def first_known(present: Bools) -> int:
    """Rows before the first in which anything is known: meters begin within minutes of each other, not in one instant."""
    return int(np.argmax(present)) if bool(present.any()) else len(present)


def balance_in(
    aggregation: BoardAggregation, period: Period, part: PartialPeriod, step_ms: int, columns_of: ColumnsOf
) -> BalanceRow:
    """The balance of one board over what is known of a period, since all its meters are known where the history begins."""
    grid = part.starts(step_ms)
    imports = columns_of(aggregation.plan.imports, Period.INTERVAL, grid)
    net = aggregation.plan.net(imports, columns_of(aggregation.plan.exports, Period.INTERVAL, grid))
    together: Bools = np.all(net.present, axis=1)
    skip = first_known(together) if part.begins else 0
    skip = 0 if skip == len(grid) else skip  # never all of them: then what is missing has to be named
    rest = Columns(net.energy[skip:], net.present[skip:], net.flags[skip:])
    parent = Parent(period, int(grid[skip]), part.until_ms)
    return aggregation.period_row(parent, grid[skip:], grid[skip:] + step_ms, rest)


def pv_in(rows: Sequence[PvRow], period: Period, part: PartialPeriod, step_ms: int) -> PvRow | None:
    """The PV figures of what is known of a period; `rows` are those of its intervals. None without any."""
    known = np.array([row.production is not None for row in rows], dtype=np.bool_)
    rest = rows[first_known(known) if part.begins else 0 :]
    if not rest:
        return None
    low = rest[0].start_ms if part.begins else part.from_ms
    return sum_pv(Parent(period, low, part.until_ms), rest, (part.until_ms - low) // step_ms)
