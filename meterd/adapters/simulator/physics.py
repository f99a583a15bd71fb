"""The true powers of a simulated site: loads, photovoltaics, losses and feeds, closed to the last milliwatt.

Independent of the daemon's formulas. All powers are whole milliwatts (int64), so that sums are exact in any order and
the balance of every board closes exactly:  feeds + pv + backup + storage = feeders + losses + unmetered loads.
The power is a function of time alone: no state, no history.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from meterd.adapters.simulator.load_profiles import (
    PLACES,
    SHAPES,
    Moments,
    Shape,
    Sources,
    moments,
    own_numbers,
    profile,
    sources,
)
from meterd.adapters.simulator.noise import Floats, Ints, Keys, Stream, draw, keys, smooth, steps, stream
from meterd.adapters.simulator.weather import Sky, clear_sky, light, make_sky, temperature
from meterd.core.model.plan import Board, Consumer, Point, Role, Site

Rows = npt.NDArray[np.intp]

UNRATED_A = 25.0  # a point without rating in the plan
BUS_LOSS = 0.001  # busbars, terminals: share of the rating lost at the rating (I^2 R; common practice: small)
CABLE_LOSS = 0.008  # riser and its joints, same definition
PV_PEAK_W = {"pv-hall": 100_000.0, "pv-shed": 50_000.0}  # photovoltaics of Harrow Mill
PV_YIELD = 0.86  # wiring, inverter, dirt, mismatch without the warmth of the modules (common practice)
PV_STANDBY = 0.00015  # share of the peak that inverters draw at night


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that changes the truth from `start_ms` until `end_ms` (exclusive).

    `kind` is "load" (an extra load of `value` W at a point or, unmetered, on a board), "cloud" (`value` of the clear-sky
    light reaches a pv point), "overdraw" (a flexible consumer draws `value` times its largest power, whatever it is given)
    or "outage" (no supply from the transformers; `target` is ignored).
    """

    kind: str
    target: str
    start_ms: int
    end_ms: int
    value: float = 0.0

    def during(self, at_ms: Ints) -> npt.NDArray[np.bool_]:
        """Which of the moments it covers, shape (m,)."""
        return np.asarray((at_ms >= self.start_ms) & (at_ms < self.end_ms))


@dataclass(frozen=True, slots=True)
class Node:
    """A sum in the network: of a feeder (`targets` is one row) or of a board (its feeds, then its backups).

    `rows` are the terms with their `signs`; `full_mw` is the rating in milliwatts, `loss` the share lost at it.
    """

    board: int
    rows: Rows
    signs: Ints
    targets: Rows
    backups: Rows
    shares: Floats
    full_mw: float
    loss: float


@dataclass(frozen=True, slots=True)
class Mill:
    """The simulated site, made once by `build`. Rows of every array are the points of the plan in their order."""

    site: Site
    zone: ZoneInfo
    sky: Sky
    key: Keys
    sources: Sources
    grid: tuple[Stream, ...]  # voltages of three phases, frequency
    full_mw: Floats  # (n,): power at the rating
    row: Mapping[str, int]
    groups: tuple[tuple[Shape, Rows, Floats], ...]  # shape, rows, peaks in W
    pv: Rows
    pv_peak_w: Floats
    consumer_rows: Rows
    consumer_streams: tuple[Stream, Stream]  # when, and how much
    nodes: tuple[Node, ...]
    tan_phi: Floats
    split: Floats  # (n, 3): share of each phase of a load
    essential: npt.NDArray[np.bool_]
    board_of: Rows
    backed: npt.NDArray[np.bool_]  # per board: has a backup supply


@dataclass(frozen=True, slots=True)
class Truth:
    """True values at m moments: mW and mvar of each point (n, m), losses and unmetered loads of each board (b, m)."""

    at_ms: Ints
    power: Ints
    reactive: Ints
    cable_loss: Ints
    board_loss: Ints
    unmetered: Ints
    mains: Ints  # (m,): 1 with supply from the transformers, 0 without


def build(site: Site, seed: int) -> Mill:
    """The simulated site of a plan. The same seed gives the same site; a point keeps its load when others are added."""
    names = [point.name for point in site.points]
    row = {name: i for i, name in enumerate(names)}
    key = keys(seed, names)
    zone = ZoneInfo(site.zone)
    offset = datetime(2026, 1, 1, tzinfo=UTC).astimezone(zone).utcoffset()
    boards = {board.name: i for i, board in enumerate(site.boards)}
    summed = {p.below for p in site.points if p.below is not None}
    loads = {p.name: load_of(p, site) for p in site.points if _draws(p) and p.name not in summed}
    pv = [p for p in site.points if p.role is Role.PV]
    consumer_key = keys(seed, [c.name for c in _placed(site)])
    shape = [SHAPES[loads[name][0]] if name in loads else SHAPES["mixed"] for name in names]
    return Mill(
        site=site,
        zone=zone,
        sky=make_sky(seed, 0.0 if offset is None else offset.total_seconds() / 3600.0),
        key=key,
        sources=sources(key),
        grid=tuple(stream(keys(seed, ["grid"]), number) for number in range(4)),
        full_mw=np.array([1000.0 * full_w(point, site) for point in site.points]),
        row=row,
        groups=_groups(loads, row),
        pv=np.array([row[p.name] for p in pv], dtype=np.intp),
        pv_peak_w=np.array([_pv_peak_w(p, site) for p in pv]),
        consumer_rows=np.array([row[c.point or ""] for c in _placed(site)], dtype=np.intp),
        consumer_streams=(stream(consumer_key, 1), stream(consumer_key, 2)),
        nodes=_nodes(site, row, key),
        tan_phi=np.array([0.0 if p.role is Role.PV else s.tan_phi for p, s in zip(site.points, shape, strict=True)]),
        split=_split(key, np.array([s.imbalance for s in shape])),
        essential=np.array([s.essential for s in shape]),
        board_of=np.array([boards.get(p.board, 0) for p in site.points], dtype=np.intp),
        backed=np.array([any(p.role is Role.BACKUP for p in site.on_board(b.name)) for b in site.boards], dtype=bool),
    )


def load_of(point: Point, site: Site) -> tuple[str, float]:
    """Shape name and peak in W of a load: by a word in its name, else by its role; never above 0.9 of its rating.

    A meter that counts one flexible consumer alone has no other load.
    """
    full = full_w(point, site)
    alone = any(c.point == point.name and c.alone for c in site.consumers)
    for word, shape, peak_w in PLACES:
        if word in point.name:
            return shape, 0.0 if alone else min(peak_w, 0.9 * full)
    if alone:
        return "mixed", 0.0
    return ("room", min(2_400.0, 0.5 * full)) if point.role is Role.SUB else ("mixed", 0.35 * full)


def full_w(point: Point, site: Site) -> float:
    """Power at the rating of a point: sqrt(3) U I, with UNRATED_A where the plan gives none."""
    nominal = next((b.nominal_v for b in site.boards if b.name == point.board), 400.0)
    return math.sqrt(3.0) * nominal * (point.rating_a or UNRATED_A)


def flexible(site: Site) -> tuple[Consumer, ...]:
    """The consumers that are simulated: those with a point, in the order of the plan."""
    return tuple(_placed(site))


def _placed(site: Site) -> list[Consumer]:
    return [c for c in site.consumers if c.point is not None]


def _draws(point: Point) -> bool:
    return point.role in (Role.FEEDER, Role.SUB) and point.counts


def _pv_peak_w(point: Point, site: Site) -> float:
    if not point.counts:
        return 0.0
    return PV_PEAK_W.get(point.name, 0.9 * full_w(point, site))


def _groups(loads: Mapping[str, tuple[str, float]], row: Mapping[str, int]) -> tuple[tuple[Shape, Rows, Floats], ...]:
    results = []
    for shape in sorted({shape for shape, _ in loads.values()}):
        members = [(row[name], peak) for name, (kind, peak) in loads.items() if kind == shape]
        rows = np.array([i for i, _ in members], dtype=np.intp)
        results.append((SHAPES[shape], rows, np.array([peak for _, peak in members])))
    return tuple(results)


def _split(key: Keys, imbalance: Floats) -> Floats:
    raw = np.stack([1.0 + imbalance * (2.0 * draw(key, number) - 1.0) for number in (20, 21, 22)], axis=1)
    return np.asarray(raw / raw.sum(axis=1, keepdims=True))


def _nodes(site: Site, row: Mapping[str, int], key: Keys) -> tuple[Node, ...]:
    """All sums, each after the sums it needs: the deepest feeders first, boards after their feeders."""
    done: list[Node] = []
    seen: set[str] = set()

    def visit_board(board: Board, number: int) -> None:
        if f"board {board.name}" in seen:
            return
        seen.add(f"board {board.name}")
        for point in site.on_board(board.name):
            visit_point(point)
        done.append(_board_node(site, board, number, row=row, key=key))

    def visit_point(point: Point) -> None:
        if point.name in seen:
            return
        seen.add(point.name)
        below = list(site.below(point.name))
        for child in below:
            visit_point(child)
            if child.role is Role.FEED:
                for number, board in enumerate(site.boards):
                    if board.name == child.board:
                        visit_board(board, number)
        if below:
            done.append(_feeder_node(site, point, below, row))

    for number, board in enumerate(site.boards):
        visit_board(board, number)
    return tuple(done)


def _feeder_node(site: Site, point: Point, below: Sequence[Point], row: Mapping[str, int]) -> Node:
    none = np.empty(0, dtype=np.intp)
    signs = [-1 if p.role in (Role.PV, Role.BACKUP, Role.STORAGE) else 1 for p in below]
    return Node(
        board=-1,
        rows=np.array([row[p.name] for p in below], dtype=np.intp),
        signs=np.array(signs, dtype=np.int64),
        targets=np.array([row[point.name]], dtype=np.intp),
        backups=none,
        shares=np.ones(1),
        full_mw=1000.0 * full_w(point, site),
        loss=CABLE_LOSS,
    )


def _board_node(site: Site, board: Board, number: int, *, row: Mapping[str, int], key: Keys) -> Node:
    terms = [p for p in site.points if p.board == board.name and (p.below is None or p.role is Role.FEED)]
    feeds = [p for p in terms if p.role is Role.FEED and p.counts]
    backups = [row[p.name] for p in terms if p.role is Role.BACKUP and p.counts]
    others = [p for p in terms if p.role not in (Role.FEED, Role.BACKUP, Role.SUB)]
    rows = np.array([row[p.name] for p in feeds], dtype=np.intp)
    # parallel transformers share by impedance, which scatters by some percent around the rating
    weight = np.array([p.rating_a or UNRATED_A for p in feeds]) * (0.97 + 0.06 * draw(key, 30)[rows])
    rating = (board.rating_kva or 250.0) * 1e6
    return Node(
        board=number,
        rows=np.array([row[p.name] for p in others], dtype=np.intp),
        signs=np.array([1 if p.role is Role.FEEDER else -1 for p in others], dtype=np.int64),
        targets=rows,
        backups=np.array(backups, dtype=np.intp),
        shares=weight / weight.sum() if len(feeds) else weight,
        full_mw=rating,
        loss=BUS_LOSS,
    )


def truth(
    mill: Mill, at_ms: Ints, *, happenings: Sequence[Happening] = (), given: Mapping[str, float] | None = None
) -> Truth:
    """True powers at m moments. `given` fixes the power of flexible consumers in W; others follow their own habit."""
    now = moments(at_ms, mill.zone, mill.sky)
    mains = np.ones(len(at_ms), dtype=np.int64)
    unmetered = np.zeros((len(mill.site.boards), len(at_ms)), dtype=np.int64)
    for happening in happenings:
        if happening.kind == "outage":
            mains[happening.during(at_ms)] = 0
    power = _loads(mill, now, given or {}, happenings)
    _shed(mill, power, mains)
    power[mill.pv] = _photovoltaics(mill, now, happenings) * mains
    boards = {board.name: i for i, board in enumerate(mill.site.boards)}
    for happening in happenings:
        if happening.kind == "load":
            extra = np.int64(round(happening.value * 1000.0)) * happening.during(at_ms)
            if happening.target in boards:
                unmetered[boards[happening.target]] += extra
            else:
                power[mill.row[happening.target]] += extra
    reactive = np.rint(power * mill.tan_phi[:, None]).astype(np.int64)
    cable, bus = _close(mill, power, unmetered, mains)
    _sum_up(mill, reactive, np.zeros_like(cable), bus=np.zeros_like(bus), mains=mains)
    return Truth(at_ms, power, reactive, cable, bus, unmetered, mains)


def _loads(mill: Mill, now: Moments, given: Mapping[str, float], happenings: Sequence[Happening]) -> Ints:
    """Loads in mW, shape (n, m); rows that are sums are left 0."""
    own = own_numbers(mill.sources, now.at_ms)
    watts = np.zeros((len(mill.key), len(now.at_ms)))
    for shape, rows, peaks in mill.groups:
        watts[rows] = peaks[:, None] * shape.share(now, own.of(rows))
    milliwatts: Ints = np.rint(watts * 1000.0).astype(np.int64)
    if len(mill.consumer_rows):
        np.add.at(milliwatts, mill.consumer_rows, consumption(mill, now, given, happenings))
    return milliwatts


def consumption(mill: Mill, now: Moments, given: Mapping[str, float], happenings: Sequence[Happening] = ()) -> Ints:
    """Power of each flexible consumer in mW, shape (c, m), whether by its own habit, as given, or out of control."""
    placed = _placed(mill.site)
    use = profile(now, ((0, 0.06), (5, 0.08), (7, 0.28), (10, 0.2), (13, 0.25), (18, 0.35), (22, 0.2), (24, 0.06)))
    on = steps(mill.consumer_streams[0], now.at_ms, 1200.0) < use
    part = steps(mill.consumer_streams[1], now.at_ms, 3600.0)
    low = np.array([max(c.min_w, 0.3 * c.max_w) for c in placed])[:, None]
    high = np.array([float(c.max_w) for c in placed])[:, None]
    counts = np.array([mill.site.points[i].counts for i in mill.consumer_rows])[:, None]
    watts = on * (low + (high - low) * part) * counts
    for i, consumer in enumerate(placed):
        if consumer.name in given:
            watts[i] = min(max(given[consumer.name], 0.0), float(consumer.max_w))
        for wild in (h for h in happenings if h.kind == "overdraw" and h.target == consumer.name):
            watts[i] = np.where(wild.during(now.at_ms), wild.value * consumer.max_w, watts[i])
    result: Ints = np.rint(watts * 1000.0).astype(np.int64)
    return result


def _shed(mill: Mill, power: Ints, mains: Ints) -> None:
    """Without supply only essential loads of boards with a backup supply go on."""
    if mains.all():
        return
    dark = ~(mill.essential & mill.backed[mill.board_of])
    power[dark] *= mains


def _photovoltaics(mill: Mill, now: Moments, happenings: Sequence[Happening]) -> Ints:
    """Power of each pv point in mW, shape (k, m): sun, clouds, warm modules, a little standby at night."""
    sky = mill.sky
    clear = clear_sky(sky, now.at_ms) / 1000.0
    # the edge of a cloud needs some seconds from one roof to the next
    open_sky = np.stack([light(sky, now.at_ms - 4000 * i) for i in range(len(mill.pv))] or [clear])[: len(mill.pv)]
    for happening in happenings:
        if happening.kind == "cloud":
            index = [mill.site.points[i].name for i in mill.pv].index(happening.target)
            open_sky[index] = np.where(happening.during(now.at_ms), happening.value, open_sky[index])
    sunshine = clear * open_sky
    module = temperature(sky, now.at_ms) + 28.0 * sunshine  # common practice: 25 to 30 K above the air in full sun
    share = np.minimum(PV_YIELD * sunshine * (1.0 - 0.0036 * (module - 25.0)), 1.0) - PV_STANDBY
    result: Ints = np.rint(mill.pv_peak_w[:, None] * share * 1000.0).astype(np.int64)
    return result


def _close(mill: Mill, power: Ints, unmetered: Ints, mains: Ints) -> tuple[Ints, Ints]:
    """Fill in the sums of feeders and boards with their losses; returns cable losses (n, m) and board losses (b, m)."""
    cable, bus = np.zeros_like(power), np.zeros_like(unmetered)
    for node in mill.nodes:
        total = (node.signs[:, None] * power[node.rows]).sum(axis=0)
        through = np.abs(power[node.rows]).sum(axis=0)
        lost = np.rint(node.loss * np.square(through / node.full_mw) * node.full_mw).astype(np.int64)
        if node.board < 0:
            cable[node.targets[0]] = lost
        else:
            bus[node.board] = lost
            total = total + unmetered[node.board]
        _deliver(node, power, total + lost, mains)
    return cable, bus


def _sum_up(mill: Mill, values: Ints, cable: Ints, *, bus: Ints, mains: Ints) -> None:
    """The same sums for another quantity (reactive power, one phase) with the losses and unmetered loads given."""
    for node in mill.nodes:
        total = (node.signs[:, None] * values[node.rows]).sum(axis=0)
        _deliver(node, values, total + (cable[node.targets[0]] if node.board < 0 else bus[node.board]), mains)


def _deliver(node: Node, values: Ints, total: Ints, mains: Ints) -> None:
    if node.board < 0:
        values[node.targets[0]] = total
        return
    rest = total * mains
    for row, share in zip(node.targets[:-1], node.shares[:-1], strict=True):
        values[row] = np.rint(total * share).astype(np.int64) * mains
        rest = rest - values[row]
    if len(node.targets):
        values[node.targets[-1]] = rest
    for i, row in enumerate(node.backups):
        values[row] = total * (1 - mains) // len(node.backups) + (total * (1 - mains) % len(node.backups)) * (i == 0)


def phases(mill: Mill, result: Truth) -> tuple[Ints, Ints, Ints]:
    """True power of each phase in mW, three arrays (n, m). They add up to the power but for 2 mW of rounding a load."""
    parts = []
    for phase in range(3):
        values = np.rint(result.power * mill.split[:, phase, None]).astype(np.int64)
        values[mill.pv] = result.power[mill.pv] // 3
        _sum_up(
            mill, values, result.cable_loss // 3, bus=(result.board_loss + result.unmetered) // 3, mains=result.mains
        )
        parts.append(values)
    return parts[0], parts[1], parts[2]


def voltages(mill: Mill, result: Truth) -> Floats:
    """Voltage of each phase to neutral at each point in V, shape (n, 3, m): slow wander, and a drop with the load."""
    nominal = np.array([board.nominal_v for board in mill.site.boards] or [400.0]) / 3.0**0.5
    wander = np.stack([smooth(source, result.at_ms, 900.0)[0] for source in mill.grid[:3]])
    drop = 0.01 * np.clip(result.power / mill.full_mw[:, None], -1.0, 1.0)
    level = 1.0 + 0.02 * (wander - 0.4)[None, :, :] - drop[:, None, :]
    return np.asarray(nominal[mill.board_of][:, None, None] * level)


def frequency(mill: Mill, at_ms: Ints) -> Floats:
    """Frequency of the grid in Hz, shape (m,)."""
    return np.asarray(50.0 + 0.06 * (smooth(mill.grid[3], at_ms, 90.0)[0] - 0.5))
