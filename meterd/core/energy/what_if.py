"""What a year of a site would have been with more PV, a battery, another contract or tariff: an estimate from its intervals.

Whole mWh. What was metered is changed as little as possible: more PV lowers the import of an interval first and adds the rest
to its export; a battery takes export and gives back import. Each keeps import less export, so nothing is won or lost but what
the battery loses. Within an interval nothing is known: a sun that comes and goes in minutes would be worth less.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from meterd.core.energy.other_columns import OtherColumns
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import HOUR_MS, Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Bools, Ints

MWH_PER_KWH = 1_000_000
PERMILLE = 1000
MILLION = 1_000_000
MOST_PART = 1000  # times what there is: a mistake in a size, and still within 64 bits


@dataclass(frozen=True, slots=True)
class Flows:
    """Energies of consecutive intervals in mWh at the grid connection, and of PV; they mean nothing where not `known`."""

    start_ms: Ints
    interval_ms: int
    imported: Ints
    exported: Ints
    produced: Ints
    known: Bools


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery that is charged with export alone. Of 1000 mWh that go in or out so many arrive (`permille`)."""

    capacity_mwh: int
    power_w: int
    permille: int = 950  # each way, 90 % there and back with its converter (common practice)


@dataclass(frozen=True, slots=True)
class BatteryUse:
    """What a battery did in each interval in mWh: taken from the site, given to it, stored at the end, lost."""

    charged: Ints
    given: Ints
    stored: Ints
    lost: Ints


@dataclass(frozen=True, slots=True)
class Summary:
    """Sums of the known intervals in mWh, and the highest mean draw in mWh of an interval with its start."""

    imported: int
    exported: int
    produced: int
    peak_mwh: int
    peak_ms: int | None
    known: int
    of: int

    def peak_w(self, interval_ms: int) -> int:
        """The highest mean draw in W."""
        return round(Fraction(self.peak_mwh * HOUR_MS, 1000 * interval_ms))

    @property
    def self_use(self) -> int:
        """What of PV was used on the site, in a battery too."""
        return self.produced - self.exported


def more_pv(flows: Flows, part: Fraction) -> Flows:
    """The same with PV that produces so much more of what it does: 0 changes nothing. Parts are whole millionths."""
    assert 0 <= part <= MOST_PART, "PV is added, and numbers stay within 64 bits"
    extra = flows.produced * round(part * MILLION) // MILLION
    extra = np.maximum(extra, 0)  # at night inverters draw a little: that is not multiplied
    saved = np.minimum(extra, np.maximum(flows.imported, 0))
    return replace(
        flows,
        imported=flows.imported - saved,
        exported=flows.exported + extra - saved,
        produced=flows.produced + extra,
    )


def with_battery(flows: Flows, battery: Battery) -> tuple[Flows, BatteryUse]:
    """The same with a battery, empty at the begin, and what it did. It rests where an interval is not known."""
    most = battery.power_w * flows.interval_ms // 3600
    use = BatteryUse(*(np.zeros(len(flows.start_ms), dtype=np.int64) for _ in range(4)))
    stored = 0
    net = np.where(flows.known, flows.exported - flows.imported, 0).tolist()
    for row, surplus in enumerate(net):
        if surplus > 0:
            headroom = battery.capacity_mwh - stored
            taken = min(surplus, most, headroom * PERMILLE // battery.permille)
            arrived = taken * battery.permille // PERMILLE
            stored += arrived
            use.charged[row], use.lost[row] = taken, taken - arrived
        elif surplus < 0:
            wanted = min(-surplus, most, stored * battery.permille // PERMILLE)
            drawn = -(-wanted * PERMILLE // battery.permille)
            stored -= drawn
            use.given[row], use.lost[row] = wanted, drawn - wanted
        use.stored[row] = stored
    return replace(flows, imported=flows.imported - use.given, exported=flows.exported - use.charged), use


def summary(flows: Flows) -> Summary:
    """Sums and peak of the known intervals."""
    rows = flows.known
    taken = np.where(rows, flows.imported, -1)
    peak = int(np.argmax(taken)) if rows.any() else None
    sums = [int(energy[rows].sum()) for energy in (flows.imported, flows.exported, flows.produced)]
    return Summary(
        imported=sums[0],
        exported=sums[1],
        produced=sums[2],
        peak_mwh=0 if peak is None else int(taken[peak]),
        peak_ms=None if peak is None else int(flows.start_ms[peak]),
        known=int(rows.sum()),
        of=len(rows),
    )


def above(flows: Flows, contracted_w: int) -> int:
    """How many known intervals draw more than a contract."""
    most = contracted_w * flows.interval_ms // 3600
    return int((flows.known & (flows.imported > most)).sum())


class ChangedConnection(OtherColumns):
    """Stored figures with other interval energies at the grid connection: all of them at its first feed, none at the others.

    Intervals that are not known count as nothing, in each case that is compared.
    """

    def __init__(self, stored: StoredFigures, site: Site, flows: Flows) -> None:
        super().__init__(stored)
        self._flows = flows
        self._first, *_ = names = [point.name for point in connection_feeds(site)]
        self._feeds = frozenset(names)

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels."""
        columns = self._stored.columns(channels, period, starts)
        if period is not Period.INTERVAL:
            return columns
        flows = self._flows
        place = np.clip(np.searchsorted(flows.start_ms, starts), 0, max(0, len(flows.start_ms) - 1))
        inside = (flows.start_ms[place] == starts) & flows.known[place]
        for column, (point, register) in enumerate(channels):
            if point in self._feeds and register in (IMPORT, EXPORT):
                energy = flows.imported if register == IMPORT else flows.exported
                columns.energy[:, column] = np.where(inside, energy[place], 0) if point == self._first else 0
                columns.present[:, column] = True
        return columns
