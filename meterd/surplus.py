"""Photovoltaic figures of periods, and what PV could still give to flexible loads now.

Period figures are made per interval, import and export apart as counted, and only then summed: the export of a quarter
hour is not undone by the import of the next. The surplus of now comes from powers of one moment; a stale or mixed-time
input makes it invalid, never old.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterd.reading import POWER, Quality
from meterd.site import Limits, Point, PointState, Role, Site
from meterd.snapshot import Now, PowerNow, SurplusNow

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BACKUP_SHARE = 0.005  # of the rating of a backup point: above it the supply runs; below is noise of an idle feeder
BACKUP_FLOOR_W = 500.0  # the same where no rating is known

CONNECTION, BOARD_SUM, NO_PATH = "connection", "sum of the board", "none"


# -- figures of periods --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PvFigures:
    """PV figures per interval in mWh, arrays of T rows; they mean nothing where `present` is false.

    `export_exceeds` marks intervals whose export is larger than the production: another source exports, or a meter
    or its clock is wrong.
    """

    production: Ints
    export: Ints
    self_use: Ints
    consumption: Ints
    present: Bools
    export_exceeds: Bools


@dataclass(frozen=True, slots=True)
class PvTotal:
    """Sums of a period in mWh; None where an interval is missing. Ratios are None also with a zero divisor."""

    production_mwh: int | None
    export_mwh: int | None
    self_use_mwh: int | None
    consumption_mwh: int | None
    self_consumption: float | None
    self_sufficiency: float | None


def pv_figures(production: Ints, export: Ints, grid_import: Ints, other_sources: Ints, present: Bools) -> PvFigures:
    """PV figures of T intervals from energies in mWh: self-use = production - min(export, production).

    Export and import are the two registers of the connection, never their net. `other_sources` is what backup and
    storage gave, less what they took. Consumption = import - export + production + other sources. A production below
    zero (an inverter's own use at night) has no self-use.

    >>> one = np.array([True])
    >>> figures = pv_figures(np.array([5]), np.array([3]), np.array([0]), np.array([0]), one)
    >>> figures.self_use.tolist(), figures.consumption.tolist()
    ([2], [2])
    """
    return PvFigures(
        production=production,
        export=export,
        self_use=production - np.minimum(export, production),
        consumption=grid_import - export + production + other_sources,
        present=present,
        export_exceeds=present & (export > np.maximum(production, 0)),
    )


def total(figures: PvFigures, first: int = 0, last: int | None = None) -> PvTotal:
    """Sums and ratios of the intervals first up to last (exclusive): made per interval, then summed.

    A missing interval, or a period without any, makes every figure missing.
    """
    rows = slice(first, last)
    if not len(figures.present[rows]) or not figures.present[rows].all():
        return PvTotal(None, None, None, None, None, None)
    production, export, self_use, consumption = (
        int(column[rows].sum())
        for column in (figures.production, figures.export, figures.self_use, figures.consumption)
    )
    return PvTotal(production, export, self_use, consumption, ratio(self_use, production), ratio(self_use, consumption))


def ratio(numerator: float | None, denominator: float | None) -> float | None:
    """A ratio, or None where it is undefined: a term is missing or the divisor is zero.

    >>> ratio(1, 4), ratio(0, 0), ratio(None, 4)
    (0.25, None, None)
    """
    if numerator is None or denominator is None or denominator == 0:
        return None
    return numerator / denominator


def specific_yield(energy_kwh: float | None, rated_kwp: float | None) -> float | None:
    """Energy per rated power in h: final yield of the output, array yield of the array (IEC 61724-1)."""
    return ratio(energy_kwh, rated_kwp)


def performance_ratio(final_yield_h: float | None, irradiation_kwh_m2: float | None) -> float | None:
    """Final yield over reference yield, the latter being the irradiation over 1 kW/m2 (IEC 61724-1)."""
    return ratio(final_yield_h, irradiation_kwh_m2)


# -- powers of now -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Moment:
    """The newest powers and what may be taken for now."""

    instant: Mapping[tuple[str, str], Now]
    limits: Limits
    now_ms: int

    def fresh(self, point: Point) -> bool:
        """Whether its power may stand for now: not retained from before the start, not too old, not from the future."""
        value = self.instant.get((point.name, POWER))
        if value is None or value.old:
            return False
        return -self.limits.future_s * 1000 <= self.now_ms - value.at_ms <= self.limits.power_max_age_s * 1000

    def power(self, point: Point) -> float:
        return self.instant[point.name, POWER].value

    def at(self, point: Point) -> int:
        return self.instant[point.name, POWER].at_ms


@dataclass(frozen=True, slots=True)
class _Sum:
    """Powers added at one moment, or the reason why they cannot be."""

    power_w: float
    at_ms: int
    reason: str = ""

    def shown(self, now_ms: int) -> PowerNow:
        if self.reason:
            return PowerNow(None, now_ms, Quality.INVALID, self.reason)
        return PowerNow(self.power_w, self.at_ms, Quality.GOOD)


def site_powers(
    site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int
) -> tuple[PowerNow, PowerNow, PowerNow, PowerNow]:
    """Draw at the connection, PV production, load and self-use of the site now, in W.

    Draw is the sum of the feeds (negative = export); load = draw + PV + backup + storage, PV behind feeders included;
    self-use = production less what of it is exported. Each is invalid with a reason where an input is stale, old, of
    another moment or missing. `at_ms` is the oldest input's time.
    """
    moment = _Moment(instant, site.limits, now_ms)
    feeds, sources = _of_role(site, Role.FEED), _of_role(site, Role.PV)
    others = _of_role(site, Role.BACKUP, Role.STORAGE)
    draw = _add(moment, feeds) if feeds else _Sum(0.0, now_ms, "no live feed point")
    production = _add(moment, sources) if sources else _Sum(0.0, now_ms, "no live PV point")
    load = _add(moment, [*feeds, *sources, *others]) if feeds else draw
    both = _add(moment, [*feeds, *sources])
    used = production.power_w - min(max(-draw.power_w, 0.0), production.power_w)
    self_use = _Sum(used, both.at_ms, draw.reason or production.reason or both.reason)
    return draw.shown(now_ms), production.shown(now_ms), load.shown(now_ms), self_use.shown(now_ms)


def surplus_now(site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int) -> SurplusNow:
    """What PV could still give to flexible loads at one moment: export at the connection + flexible load running.

    The export is signed: while flexible loads draw from the grid it is negative and lowers the surplus, which ends at
    zero. It is never more than the production. On backup supply it is zero. The export comes from the feeds
    ("connection") or, where a feed has no present power, from the other terms ("sum of the board"); PV, backup and
    consumers' points are inputs of both paths. A consumer without a point adds nothing. "Sum of the board" is partial
    while fitted points are not counted, since what they draw would be taken for surplus.
    """
    moment = _Moment(instant, site.limits, now_ms)
    running = _backup_running(site, moment)
    if running:
        return SurplusNow(0.0, now_ms, Quality.GOOD, NO_PATH, f"on backup supply: {', '.join(running)}")
    if not _of_role(site, Role.PV):
        return SurplusNow(None, now_ms, Quality.INVALID, NO_PATH, "no live PV point")
    common = [*_of_role(site, Role.PV), *_of_role(site, Role.BACKUP), *_flexible(site)]
    feeds, inner = _of_role(site, Role.FEED), _inner_terms(site)
    connection = _add(moment, feeds, also=common) if feeds else _Sum(0.0, now_ms, "no live feed point")
    if not connection.reason:
        return _surplus(site, moment, CONNECTION, _Sum(-connection.power_w, connection.at_ms))
    board = _add(moment, inner, also=common) if inner else _Sum(0.0, now_ms, "no live feeder point")
    if not board.reason:
        return _surplus(site, moment, BOARD_SUM, board)
    reason = f"{CONNECTION}: {connection.reason}; {BOARD_SUM}: {board.reason}"
    return SurplusNow(None, now_ms, Quality.INVALID, NO_PATH, reason)


def backup_running(site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int) -> list[str]:
    """Backup points whose present power says that they supply."""
    return _backup_running(site, _Moment(instant, site.limits, now_ms))


def _surplus(site: Site, moment: _Moment, path: str, export: _Sum) -> SurplusNow:
    """The surplus by a path whose inputs are all present."""
    flexible = math.fsum(max(moment.power(point), 0.0) for point in _flexible(site))
    production = math.fsum(moment.power(point) for point in _of_role(site, Role.PV))
    power = max(0.0, min(export.power_w + flexible, production))
    fitted = [p.name for p in site.points if p.state is PointState.FITTED and p.below is None]
    if path == BOARD_SUM and fitted:
        return SurplusNow(power, export.at_ms, Quality.PARTIAL, path, f"fitted, not counted: {', '.join(fitted)}")
    return SurplusNow(power, export.at_ms, Quality.GOOD, path)


def _of_role(site: Site, *roles: Role) -> list[Point]:
    return [point for point in site.points if point.counts and point.role in roles]


def _inner_terms(site: Site) -> list[Point]:
    """Terms of all boards but the feeds; none where no feeder is live, for then all PV would seem left over."""
    terms = [p for p in site.points if p.counts and p.below is None and p.role not in (Role.FEED, Role.SUB)]
    return terms if any(p.role is Role.FEEDER for p in terms) else []


def _flexible(site: Site) -> list[Point]:
    """Counting points that measure consumers alone, each once and none below another of them."""
    points = {point.name: point for point in site.points}
    named = {c.point for c in site.consumers if c.point is not None and c.alone and points[c.point].counts}
    return [points[name] for name in sorted(named) if not named & set(_above(points, name))]


def _above(points: Mapping[str, Point], name: str) -> list[str]:
    """Names of the feeders a point hangs under, nearest first. (The plan's loader refuses circles.)"""
    chain: list[str] = []
    feeder = points[name].below
    while feeder is not None and feeder not in chain:
        chain.append(feeder)
        feeder = points[feeder].below
    return chain


def _backup_running(site: Site, moment: _Moment) -> list[str]:
    """Backup points whose present power says that they supply; looked at first, since then the feed meters are dead."""
    voltage = {board.name: board.nominal_v for board in site.boards}
    running = []
    for point in _of_role(site, Role.BACKUP):
        rating_w = math.sqrt(3) * voltage.get(point.board, 0.0) * (point.rating_a or 0.0)
        threshold = rating_w * BACKUP_SHARE or BACKUP_FLOOR_W
        if moment.fresh(point) and moment.power(point) > threshold:
            running.append(point.name)
    return running


def _add(moment: _Moment, points: Sequence[Point], *, also: Sequence[Point] = ()) -> _Sum:
    """Sum of the powers of `points`, outgoing feeders negative, provided they and `also` are of one moment now."""
    inputs = [*points, *also]
    stale = sorted({p.name for p in inputs if not moment.fresh(p)})
    if stale:
        return _Sum(0.0, moment.now_ms, f"no power within {moment.limits.power_max_age_s} s from {', '.join(stale)}")
    times = [moment.at(point) for point in inputs]
    window_s = moment.limits.same_time_s
    behind = sorted({p.name for p in inputs if max(times) - moment.at(p) > window_s * 1000})
    if behind:
        reason = f"powers more than {window_s} s apart: {', '.join(behind)} behind the others"
        return _Sum(0.0, moment.now_ms, reason)
    # fsum is exact before its one rounding, so the order of the points does not matter
    power = math.fsum(moment.power(p) * (-1 if p.role is Role.FEEDER else 1) for p in points)
    return _Sum(power, min(times, default=moment.now_ms))
