"""Photovoltaic figures of periods, and what PV could still give to flexible loads now.

Period figures are made per interval, import and export apart as counted, and only then summed: the export of a quarter
hour is not undone by the import of the next. Powers of now come from one complete round of samples (`rounds`); without one
they are invalid, never old.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterd.core.model.connection import boards_behind_feeders, connection_feeds
from meterd.core.model.plan import Limits, Point, PointState, Role, Site
from meterd.core.model.reading import POWER, Quality
from meterd.core.model.results import consumed
from meterd.core.model.rounds import Belief, Round, belief_of, newest_round
from meterd.core.model.snapshot import Now, PowerNow, SurplusNow

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BACKUP_SHARE = 0.005  # of the rating of a backup point: above it the supply runs; below is noise of an idle feeder
BACKUP_FLOOR_W = 500.0  # the same where no rating is known

NOBODY: Mapping[str, int] = {}
CONNECTION, BOARD_SUM, NO_PATH = "connection", "sum of the board", "none"


# -- figures of periods ------------------------------------------------------------------------------------------------


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
    """Sums of a period in mWh; None where an interval is missing. Ratios are None also with a zero divisor.

    A consumption below zero is none: meters contradict each other.
    """

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
    production, export, self_use, sum_ = (
        int(column[rows].sum())
        for column in (figures.production, figures.export, figures.self_use, figures.consumption)
    )
    consumption = consumed(sum_)
    return PvTotal(production, export, self_use, consumption, ratio(self_use, production), ratio(self_use, consumption))


def ratio(numerator: float | None, denominator: float | None) -> float | None:
    """A ratio, or None where it is undefined: a term is missing or the divisor is zero.

    >>> ratio(1, 4), ratio(0, 0), ratio(None, 4)
    (0.25, None, None)
    """
    if numerator is None or denominator is None or denominator == 0:
        return None
    return numerator / denominator


# -- powers of now -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Moment:
    """The newest powers and what may be taken for now."""

    instant: Mapping[tuple[str, str], Now]
    limits: Limits
    now_ms: int

    @property
    def belief(self) -> Belief:
        return belief_of(self.limits, self.now_ms)

    def fresh(self, point: Point) -> bool:
        """Whether its newest power may stand for now: not retained from before the start, not too old, not from ahead."""
        value = self.instant.get((point.name, POWER))
        if value is None or value.old:
            return False
        return -self.limits.future_s * 1000 <= self.now_ms - value.at_ms <= self.belief.age_limit(value.every_ms)

    def power(self, point: Point) -> float:
        """Its newest power."""
        return self.instant[point.name, POWER].value

    def round(self, points: Sequence[Point]) -> Round:
        """The newest complete round of these points, or why there is none."""
        latest_values = {p.name: self.instant.get((p.name, POWER)) for p in points}
        return newest_round(
            {name: () if now is None else now.trace for name, now in latest_values.items()}, self.belief
        )


@dataclass(frozen=True, slots=True)
class _Sum:
    """Powers added from one round, or the reason why they cannot be."""

    power_w: float
    round: Round
    reason: str = ""

    @property
    def shown(self) -> PowerNow:
        if self.reason:
            return PowerNow(None, self.round.at_ms, Quality.INVALID, self.reason)
        taken = self.round
        return PowerNow(self.power_w, taken.at_ms, Quality.GOOD, apart_ms=taken.apart_ms, every_ms=taken.every_ms)


def site_powers(
    site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int
) -> tuple[PowerNow, PowerNow, PowerNow, PowerNow]:
    """Draw at the connection, PV production, load and self-use of the site now, in W.

    Draw is the sum of the feeds at the connection (negative = export); load = draw + PV + backup + storage, PV behind
    feeders included; self-use = production less what of it is exported. Each is of the newest complete round of the
    meters in it, and invalid with a reason where there is none.
    """
    moment = _Moment(instant, site.limits, now_ms)
    feeds, sources = connection_feeds(site), _of_role(site, Role.PV)
    others = _of_role(site, Role.BACKUP, Role.STORAGE)
    draw = _add(moment, feeds, none="no live feed point")
    production = _add(moment, sources, none="no live PV point")
    load = _add(moment, [*feeds, *sources, *others]) if feeds else draw
    if not load.reason and load.power_w < 0:
        load = _Sum(0.0, load.round, "below zero: the meters contradict each other")
    return draw.shown, production.shown, load.shown, _self_use(moment, feeds, sources).shown


def _self_use(moment: _Moment, feeds: Sequence[Point], sources: Sequence[Point]) -> _Sum:
    """Production less what of it is exported, both of one round."""
    export = _add(moment, feeds, also=sources, none="no live feed point")
    if export.reason or not sources:
        return export if export.reason else _add(moment, sources, none="no live PV point")
    production = _sum(export.round, sources)
    return _Sum(production - min(max(-export.power_w, 0.0), production), export.round)


def surplus_now(
    site: Site,
    instant: Mapping[tuple[str, str], Now],
    now_ms: int,
    flexible_most_w: Mapping[str, int] = NOBODY,
) -> SurplusNow:
    """What PV could still give to flexible loads: export at the connection + flexible load running, of one round.

    The export is signed: while flexible loads draw from the grid it is negative and lowers the surplus, which ends at
    zero. It is never more than the production. On backup supply it is zero. The export comes from the feeds
    ("connection") or, where a feed has no present power, from the other terms ("sum of the board"); PV, backup and
    consumers' points are inputs of both paths. A consumer without a point adds nothing, one in `flexible_most_w` at most
    that: it draws more than its share, so what it draws beyond is base load. "Sum of the board" is partial while fitted
    points are not counted, since what they draw would be taken for surplus.
    """
    moment = _Moment(instant, site.limits, now_ms)
    running = _backup_running(site, moment)
    if running:
        return SurplusNow(0.0, now_ms, Quality.GOOD, NO_PATH, f"on backup supply: {', '.join(running)}")
    if not _of_role(site, Role.PV):
        return SurplusNow(None, now_ms, Quality.INVALID, NO_PATH, "no live PV point")
    flexible = flexible_points(site)
    common = [*_of_role(site, Role.PV), *_of_role(site, Role.BACKUP), *flexible]
    connection = _add(moment, connection_feeds(site), also=common, none="no live feed point")
    if not connection.reason:
        return _surplus(
            site,
            CONNECTION,
            -connection.power_w,
            taken=connection.round,
            running_w=_running(site, connection.round, flexible_most_w),
        )
    board = _add(moment, _inner_terms(site), also=common, none="no live feeder point")
    if not board.reason:
        return _surplus(
            site, BOARD_SUM, board.power_w, taken=board.round, running_w=_running(site, board.round, flexible_most_w)
        )
    reason = f"{CONNECTION}: {connection.reason}; {BOARD_SUM}: {board.reason}"
    return SurplusNow(None, now_ms, Quality.INVALID, NO_PATH, reason)


def surplus_points(site: Site) -> list[Point]:
    """Points whose powers the surplus needs while the feeds can be read: feeds, PV, backup and flexible loads."""
    return [*connection_feeds(site), *_of_role(site, Role.PV, Role.BACKUP), *flexible_points(site)]


def backup_running(site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int) -> list[str]:
    """Backup points whose present power says that they supply."""
    return _backup_running(site, _Moment(instant, site.limits, now_ms))


def _surplus(site: Site, path: str, export_w: float, *, taken: Round, running_w: float) -> SurplusNow:
    """The surplus by a path whose round is complete."""
    power = max(0.0, min(export_w + running_w, _sum(taken, _of_role(site, Role.PV))))
    fitted = [p.name for p in site.points if p.state is PointState.FITTED and p.below is None]
    partial = path == BOARD_SUM and bool(fitted)
    return SurplusNow(
        power,
        taken.at_ms,
        Quality.PARTIAL if partial else Quality.GOOD,
        path,
        f"fitted, not counted: {', '.join(fitted)}" if partial else "",
        taken.apart_ms,
        taken.every_ms,
    )


def _running(site: Site, taken: Round, most_w: Mapping[str, int]) -> float:
    """What flexible loads draw in a round, each at most what `most_w` says of its consumer."""
    most: dict[str, float] = {}
    for consumer in site.consumers:
        if consumer.point is not None and consumer.name in most_w:
            most[consumer.point] = most.get(consumer.point, 0.0) + most_w[consumer.name]
    drawn = {point.name: max(taken.values[point.name], 0.0) for point in flexible_points(site)}
    return math.fsum(min(power, most.get(name, power)) for name, power in drawn.items())


def _of_role(site: Site, *roles: Role) -> list[Point]:
    return [point for point in site.points if point.counts and point.role in roles]


def _inner_terms(site: Site) -> list[Point]:
    """Terms of all boards but the feeds; none where no feeder is live, for then all PV would seem left over.

    A board behind a counting feeder has no terms: that feeder measures all of it.
    """
    behind = boards_behind_feeders(site)
    inner = [p for p in site.points if p.counts and p.below is None and p.board not in behind]
    terms = [p for p in inner if p.role not in (Role.FEED, Role.SUB)]
    return terms if any(p.role is Role.FEEDER for p in terms) else []


def flexible_points(site: Site) -> list[Point]:
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


def _add(moment: _Moment, points: Sequence[Point], *, also: Sequence[Point] = (), none: str = "") -> _Sum:
    """Sum of the powers of `points`, outgoing feeders negative, of one round with `also`; `none` says that there are none."""
    if not points:
        return _Sum(0.0, Round(moment.now_ms, {}), none)
    taken = moment.round([*points, *also])
    if taken.silent:
        limit_s = moment.limits.power_max_age_s
        return _Sum(0.0, taken, f"no power within {limit_s} s from {', '.join(taken.silent)}")
    if taken.out_of_step:
        return _Sum(0.0, taken, f"no power of the same moment from {', '.join(taken.out_of_step)}")
    return _Sum(_sum(taken, points), taken)


def _sum(taken: Round, points: Sequence[Point]) -> float:
    # fsum is exact before its one rounding, so the order of the points does not matter
    return math.fsum(taken.values[p.name] * (-1 if p.role is Role.FEEDER else 1) for p in points)
