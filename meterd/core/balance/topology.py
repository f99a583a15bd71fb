"""All balances of a site at once: which points meet where, what is checked by what, and what lies between the meters.

A node is a place where what comes in must go out again: a board, a feeder against everything measured below it, a cable
to another board, two instruments on the same current. Loads without a meter and losses are unknowns with priors.
Points that share no node with any other are not checkable, and the words say so.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from meterd.core.balance.board_balance import SIGN
from meterd.core.balance.least_squares import Checkability, classify, inseparable
from meterd.core.balance.uncertainty import (
    ASSUMED_LOAD,
    ASSUMED_POWER_FACTOR,
    Accuracy,
    Floats,
    accuracy_of,
    energy_uncertainty,
)
from meterd.core.model.plan import Board, Instrument, Point, Role, Site

UNRATED_KW = 150.0  # a node whose plan gives neither rating nor currents: about a 250 A feeder
STANDING_SHARE = 0.01  # prior of an unmetered standing load: one hundredth of the rating (common practice)
BUS_LOSS_SHARE = 0.005  # prior of busbars and terminals at the rating
CABLE_LOSS_SHARE = 0.02  # prior of a cable at its rating: below the usual limits of voltage drop
KNOWN_LOSS_SHARE = 0.15  # EU regulation 548/2014 Annex I lets declared losses be exceeded by 15 % in tests
LOADS_BELOW = (Role.SUB, Role.FEED)
FEW = 4  # names in a sentence


class NodeKind(StrEnum):
    """Why flows must agree at a node."""

    BOARD = "board"
    BELOW = "sub-balance"
    CABLE = "cable"
    CHECK = "check meter"


@dataclass(frozen=True, slots=True)
class Node:
    """One balance: sum of sign times flow over `points` = known loss + standing load + load-dependent loss.

    `through` marks the points whose flow makes the loading k (their sum over `rating_kw`). `p0_kw` + k^2 `pk_kw` is the
    known loss between the meters; the priors of what is unknown are `standing_sd_kw` and `loss_sd_kw` (at k = 1).
    """

    name: str
    kind: NodeKind
    points: tuple[int, ...]
    signs: tuple[int, ...]
    through: tuple[int, ...]
    rating_kw: float
    standing_sd_kw: float
    loss_sd_kw: float
    p0_kw: float = 0.0
    pk_kw: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True)
class Network:
    """The nodes of a site over its `points` (columns), with the accuracy of each instrument in force.

    `instruments` names each instrument with its date, so that an exchange makes another network. `standing` is what the
    balances say of each point, `unconnected` those of the plan that meet no node, with the reason.
    """

    site: str
    points: tuple[str, ...]
    roles: tuple[Role, ...]
    instruments: tuple[str, ...]
    accuracies: tuple[Accuracy, ...]
    nodes: tuple[Node, ...]
    standing: tuple[Checkability, ...]
    unconnected: tuple[tuple[str, str], ...]
    interval_s: int
    clock_s: float = 0.0  # how far the clocks of the instruments may be off
    ct_ratios: tuple[tuple[float, float] | None, ...] = ()  # primary and secondary current by the plan, point by point
    zone: str = "UTC"  # of the days in texts for people

    def ct_ratio(self, i: int) -> tuple[float, float] | None:
        """Primary and secondary current of the transformers at column i; None for direct connection or none in the plan."""
        return self.ct_ratios[i] if self.ct_ratios else None

    def direct(self, i: int) -> bool:
        """Whether the instrument at column i has no current transformers by the plan."""
        return self.accuracies[i].ct_class is None and self.accuracies[i].ct_set is None

    @property
    def incidence(self) -> Floats:
        """A [m, n]: +1 into the node, -1 out of it."""
        A = np.zeros((len(self.nodes), len(self.points)))
        for k, node in enumerate(self.nodes):
            A[k, list(node.points)] = node.signs
        return A

    @property
    def sets(self) -> tuple[tuple[str, tuple[int, ...]], ...]:
        """CT sets used by more than one point, with their columns, by name."""
        names = sorted({a.ct_set for a in self.accuracies if a.ct_set})
        columns = [(name, tuple(i for i, a in enumerate(self.accuracies) if a.ct_set == name)) for name in names]
        return tuple((name, members) for name, members in columns if len(members) > 1)

    @property
    def fingerprint(self) -> str:
        """What statistics of this network may be added to: the same instruments at the same nodes."""
        nodes = [f"{n.name}:{n.points}{n.signs}{n.rating_kw:.6g}/{n.p0_kw:.6g}/{n.pk_kw:.6g}" for n in self.nodes]
        return "|".join([self.site, *self.instruments, *nodes])


def network(site: Site, at_ms: int) -> Network:
    """The network of a site as it is at a moment (instruments in force, points live or accepted)."""
    drafts = [d for d in (*_boards(site), *_below(site), *_cables(site)) if d is not None]
    used = {name for draft in drafts for name, _ in draft.terms}
    points = [p for p in site.points if p.name in used]
    place = {p.name: i for i, p in enumerate(points)}
    boards = {b.name: b for b in site.boards}
    fitted = [_in_force(site, p.name, at_ms) for p in points]
    secondary = {row.point for row in site.inputs if row.per_ct}
    accuracies = tuple(_accuracy(p, i, boards[p.board], secondary) for p, i in zip(points, fitted, strict=True))
    nodes = tuple(draft.node(place) for draft in drafts)
    A = np.zeros((len(nodes), len(points)))
    for k, node in enumerate(nodes):
        A[k, list(node.points)] = node.signs
    return Network(
        site=site.name,
        points=tuple(p.name for p in points),
        roles=tuple(p.role for p in points),
        instruments=tuple(_instrument_name(p, i) for p, i in zip(points, fitted, strict=True)),
        accuracies=accuracies,
        nodes=nodes,
        standing=classify(A, np.ones(len(points), dtype=np.bool_)) if len(nodes) else (),
        unconnected=tuple((p.name, _why_unconnected(site, p)) for p in site.points if p.name not in used and p.counts),
        interval_s=site.interval_s,
        clock_s=float(site.limits.meter_clock_s),
        ct_ratios=tuple(_currents(i) for i in fitted),
        zone=site.zone,
    )


def _currents(instrument: Instrument | None) -> tuple[float, float] | None:
    if instrument is None or instrument.ct_primary_a is None or instrument.ct_secondary_a is None:
        return None
    return float(instrument.ct_primary_a), float(instrument.ct_secondary_a)


def _in_force(site: Site, point: str, at_ms: int) -> Instrument | None:
    spans = [i for i in site.instruments_of(point) if i.from_ms <= at_ms and (i.until_ms is None or at_ms < i.until_ms)]
    return spans[-1] if spans else None


def _accuracy(point: Point, instrument: Instrument | None, board: Board, secondary: set[str]) -> Accuracy:
    ratio = instrument.ct_ratio if instrument is not None and point.name in secondary else None
    if ratio is None:
        return accuracy_of(point, instrument, board)
    return accuracy_of(point, instrument, board, shown_factor=ratio)


def _instrument_name(point: Point, instrument: Instrument | None) -> str:
    return point.name if instrument is None else f"{point.name}@{instrument.from_ms}"


@dataclass(frozen=True, slots=True)
class _Draft:
    """A node before the columns are numbered: (point, sign) terms, and which of them make the loading."""

    name: str
    kind: NodeKind
    terms: tuple[tuple[str, int], ...]
    through: tuple[str, ...]
    rating_kw: float
    loss_share: float
    p0_kw: float = 0.0
    pk_kw: float = 0.0
    note: str = ""

    def node(self, place: dict[str, int]) -> Node:
        known = KNOWN_LOSS_SHARE * self.p0_kw, KNOWN_LOSS_SHARE * self.pk_kw
        return Node(
            name=self.name,
            kind=self.kind,
            points=tuple(place[name] for name, _ in self.terms),
            signs=tuple(sign for _, sign in self.terms),
            through=tuple(place[name] for name in self.through),
            rating_kw=self.rating_kw,
            standing_sd_kw=math.hypot(STANDING_SHARE * self.rating_kw, known[0]),
            loss_sd_kw=math.hypot(self.loss_share * self.rating_kw, known[1]),
            p0_kw=self.p0_kw,
            pk_kw=self.pk_kw,
            note=self.note,
        )


def _rating_kw(points: Sequence[Point], board: Board) -> float:
    amperes = sum(p.rating_a or 0.0 for p in points)
    return math.sqrt(3) * board.nominal_v * amperes / 1000 if amperes else UNRATED_KW


def _boards(site: Site) -> Iterator[_Draft | None]:
    """Boards with both sides measured. Points not live yet are named: what they carry shows as unmetered load."""
    for board in site.boards:
        on = [p for p in site.points_of(board.name) if p.role is not Role.SUB]
        on = [p for p in on if p.below is None or p.role is Role.FEED]
        live = [p for p in on if p.counts]
        terms = [(p.name, SIGN[p.role]) for p in live]
        feeds = [p for p in live if p.role is Role.FEED]
        if not feeds and board.fed_by is not None and site.point(board.fed_by).counts:
            feeds = [site.point(board.fed_by)]  # no meter of its own: the feeder of the upper board is its feed
            terms.append((board.fed_by, 1))
        if not feeds or not any(sign < 0 for _, sign in terms):
            yield None
            continue
        waiting = sorted(p.name for p in on if not p.counts and p.state.value != "retired")
        lossy = board.metered_side == "other"
        yield _Draft(
            f"board {board.name}",
            NodeKind.BOARD,
            tuple(terms),
            tuple(p.name for p in feeds),
            board.rating_kva or _rating_kw(feeds, board),
            BUS_LOSS_SHARE,
            p0_kw=(board.loss_p0_w or 0.0) / 1000 if lossy else 0.0,
            pk_kw=(board.loss_pk_w or 0.0) / 1000 if lossy else 0.0,
            note=f"not measured yet and counted as unmetered load: {', '.join(waiting)}" if waiting else "",
        )


def _below(site: Site) -> Iterator[_Draft | None]:
    """Feeders against what hangs below them, where all of it is measured; and instruments on the same current.

    All is measured when every point below is live or accepted, at least one of them is a load or a board, and the plan
    does not say `unmetered_below`. A point below on the CT set of its feeder measures the same current and is no part
    of the sum.
    """
    boards = {b.name: b for b in site.boards}
    for upper in site.points:
        below = [p for p in site.below(upper.name) if p.state.value != "retired"]
        checks = [p for p in below if p.counts and _same_current(site, upper, p)]
        parts = [p for p in below if p not in checks]
        if not upper.counts:
            continue
        for check in checks:
            pair = ((upper.name, 1), (check.name, -1))
            rating = _rating_kw([upper], boards[upper.board])
            name = f"check {upper.name} {check.name}"
            yield _Draft(name, NodeKind.CHECK, pair, (upper.name,), rating, BUS_LOSS_SHARE / 10)
        loads = [p for p in parts if p.role in LOADS_BELOW]
        if upper.unmetered_below or not loads or not all(p.counts for p in parts):
            continue
        terms = ((upper.name, 1), *((p.name, -1 if p.role in LOADS_BELOW else 1) for p in parts))
        rating = _rating_kw([upper], boards[upper.board])
        yield _Draft(f"below {upper.name}", NodeKind.BELOW, terms, (upper.name,), rating, CABLE_LOSS_SHARE)


def _same_current(site: Site, upper: Point, lower: Point) -> bool:
    sets = [{i.ct_set for i in site.instruments_of(p.name) if i.ct_set} for p in (upper, lower)]
    return lower.role is Role.SUB and bool(sets[0] & sets[1])


def _cables(site: Site) -> Iterator[_Draft | None]:
    """A feeder that supplies another board, against the feeds measured there."""
    boards = {b.name: b for b in site.boards}
    for board in site.boards:
        feeds = [p for p in site.on_board(board.name) if p.role is Role.FEED and p.counts]
        if board.fed_by is None or not feeds or not site.point(board.fed_by).counts:
            continue
        upper = site.point(board.fed_by)
        terms = ((upper.name, 1), *((p.name, -1) for p in feeds))
        rating = _rating_kw([upper], boards[upper.board])
        yield _Draft(f"cable {board.name}", NodeKind.CABLE, terms, (upper.name,), rating, CABLE_LOSS_SHARE)


def _why_unconnected(site: Site, point: Point) -> str:
    if point.below is None:
        return f"board {point.board} has no balance: both a feed and an outgoing point must be live"
    upper = site.point(point.below)
    if not upper.counts:
        return f"{upper.name} above it is not live"
    if upper.unmetered_below:
        return f"the plan says that something below {upper.name} has no meter"
    waiting = [p.name for p in site.below(upper.name) if not p.counts and p.state.value != "retired"]
    if waiting:
        return f"below {upper.name} not all is measured: {', '.join(waiting)}"
    return f"below {upper.name} no load is measured"


def separate(net: Network) -> tuple[Network, ...]:
    """The parts of a network that share no point and no CT set: a suspicion in one says nothing of the others.

    Sentences on points beside any node stay with the first part.
    """
    home = list(range(len(net.nodes)))
    bundles: list[set[int]] = [set() for _ in net.points]
    for k, node in enumerate(net.nodes):
        for i in node.points:
            bundles[i].add(k)
    bundles += [set().union(*(bundles[i] for i in members)) for _, members in net.sets]
    for bundle in bundles:
        joined = {home[k] for k in bundle}
        home = [min(joined) if h in joined else h for h in home]
    return tuple(_part(net, [k for k, h in enumerate(home) if h == first]) for first in sorted(set(home)))


def _part(net: Network, nodes: list[int]) -> Network:
    stored = sorted({i for k in nodes for i in net.nodes[k].points})
    place = {old: new for new, old in enumerate(stored)}

    def moved(columns: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(place[i] for i in columns)

    return Network(
        site=net.site,
        points=tuple(net.points[i] for i in stored),
        roles=tuple(net.roles[i] for i in stored),
        instruments=tuple(net.instruments[i] for i in stored),
        accuracies=tuple(net.accuracies[i] for i in stored),
        nodes=tuple(
            replace(net.nodes[k], points=moved(net.nodes[k].points), through=moved(net.nodes[k].through)) for k in nodes
        ),
        standing=tuple(net.standing[i] for i in stored),
        unconnected=net.unconnected if 0 in nodes else (),
        interval_s=net.interval_s,
        clock_s=net.clock_s,
        ct_ratios=tuple(net.ct_ratio(i) for i in stored),
        zone=net.zone,
    )


def gain_prior(net: Network, load: float = ASSUMED_LOAD) -> Floats:
    """Prior covariance [n, n] of the relative errors of the instruments, from their class limits at that load.

    Instruments on one CT set share its part.
    """
    meter, ct = gain_parts(net, load)
    prior = np.diag(np.square(meter) + np.square(ct))
    for _, members in net.sets:
        for i in members:
            for j in members:
                if i != j:
                    prior[i, j] = ct[i] * ct[j]
    return prior


def gain_parts(net: Network, load: float = ASSUMED_LOAD) -> tuple[Floats, Floats]:
    """Standard uncertainty of the relative error of each instrument [n]: of the meter, and of its current transformers."""
    alike: dict[Accuracy, tuple[float, float]] = {}
    parts = np.empty((2, len(net.points)))
    for i, accuracy in enumerate(net.accuracies):
        if accuracy not in alike:
            size = _at_load(accuracy, load)
            meter, ct, _ = energy_uncertainty(np.array([size]), 1.0, accuracy)
            alike[accuracy] = (float(meter[0]) / size, float(ct[0]) / size)
        parts[:, i] = alike[accuracy]
    return parts[0], parts[1]


def _at_load(accuracy: Accuracy, load: float) -> int:
    """Energy of an hour at a fraction of the rating, mWh; any size where the rating is unknown."""
    full = math.sqrt(3) * accuracy.nominal_v * (accuracy.rated_a or 100.0) * ASSUMED_POWER_FACTOR
    return round(1000 * full * load)


def words(net: Network) -> tuple[tuple[str, str], ...]:
    """What the balances can say of each point, one sentence each, those beside any node included."""
    alike = {i: group for group in inseparable(net.incidence) for i in group} if net.nodes else {}
    texts = []
    for i, (name, standing) in enumerate(zip(net.points, net.standing, strict=True)):
        where = [node.name for node in net.nodes if i in node.points]
        text = f"{name} is {standing}: checked by {' and '.join(where)}"
        if i in alike:
            others = [net.points[j] for j in alike[i] if j != i]
            shown = ", ".join(others) if len(others) <= FEW else f"{len(others)} others of that balance"
            text += f"; in a single interval not told apart from {shown}"
        texts.append((name, text))
    texts += [(name, f"{name} is {Checkability.NOT_CHECKABLE}: {why}") for name, why in net.unconnected]
    return tuple(texts)


NOT_OBSERVABLE = (
    "an error common to all instruments of a balance leaves every balance closed and cannot be seen from inside the site; "
    "only a comparison with an outside meter (the supplier's) shows it"
)
