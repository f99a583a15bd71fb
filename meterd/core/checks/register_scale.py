"""Units and directions by the numbers: a register a thousand times too fast or slow, a forgotten ratio, import for export.

Judged by what a plan says anyway: the rating of each circuit, and that each board must balance. In some stretches of time
the balance of a board is R(t) = sum of s n(t), s = +1 for its feed side and -1 for what goes out. If register j has to be
multiplied by f, R + s_j n_j (f - 1) is zero in all stretches at once, and least squares give f. It counts only near a
factor that has a usual cause, if the balance closes with it, and if no other register explains it as well. Small errors are
left to the drift of a meter.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from meterd.core.checks.plausibility import has_source_below
from meterd.core.checks.proposed_correction import energies_evidence
from meterd.core.model.distinct import distinct
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS
from meterd.core.model.results import Channel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST = 6  # stretches with all registers of a board: fewer have no shape
LEFT = 0.15  # of the throughput that may be left with the factor: losses, loads without a meter, coarse registers
GAINED = 0.3  # of the residual that may be left
LEAST_RESIDUAL = 0.02  # of the throughput: a smaller residual is left to the drift of the meters
SHAPE = (
    0.5  # of the changes of the residual that may be left: a constant load without a meter looks like many registers
)
APART = 2.0  # so many times more must be left by the next best explanation
NEAR = 0.08  # relative: how near a fitted factor must be to a usual one
NEAR_RATIO = 0.03  # ratios of transformers lie closer together
GROSS = 5.0  # factors nearer to 1 are left to the drift of the meter, which can tell more of them
OVER = 1.5  # times the rating: a short overload is real
AGAINST = 10.0  # times more against the arrow than along it
LEAST_MWH = 1_000_000  # 1 kWh of a register in all stretches: less says nothing
SCALE_CAUSES = ("register-scale", "register-direction")
UNIT_STEPS = (1000.0, 0.001)
OTHER_STEPS = (100.0, 10.0, 0.1, 0.01)
# primary over secondary current of usual transformers (IEC 61869-2: 50 A to 1000 A over 5 A or 1 A)
CT_STEPS = (12.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 120.0, 150.0, 160.0, 200.0)
_LARGER = {"Wh": "kWh", "kWh": "MWh", "varh": "kvarh", "kvarh": "Mvarh"}
_SMALLER = {large: small for small, large in _LARGER.items()}


class DoubtKind(StrEnum):
    """What seems to be wrong."""

    UNIT = "unit"
    FACTOR = "factor"  # of ten or a hundred: a decimal place or a pulse weight
    RATIO_MISSING = "ratio-missing"
    RATIO_TWICE = "ratio-twice"
    DIRECTION = "direction"


@dataclass(frozen=True, slots=True)
class Fall:
    """A register that counts backwards: in how many quarter hours it fell, and by how much since it last rose."""

    quarters: int
    mwh: int


@dataclass(frozen=True, slots=True)
class ScaleDoubt:
    """Points whose registers have to be multiplied by `factor`, and by what it is known.

    `board` with `left`: its balance closes to that ratio of its throughput, or (`below`) the sum of the meters below a feeder
    of that name. Else `power_w` is read where `limit_w` is
    possible, or `along_mwh` and `against_mwh` flow against the role of the point.
    """

    points: tuple[str, ...]
    kind: DoubtKind
    factor: float
    board: str = ""
    below: bool = False
    left: float = 0.0
    power_w: float = 0.0
    limit_w: float = 0.0
    along_mwh: int = 0
    against_mwh: int = 0


def rises(times: Ints, raws: Ints, grid: Ints, factor: float, *, ascend: bool = False) -> Floats:
    """Energies in mWh between the moments of a grid, from readings of one register in milli-units; `factor` mWh for each.

    Read off straight lines between readings, whose times are known to `ascend` or else are looked at. NaN outside the
    readings and where the register falls (a reset, a rollover).

    >>> rises(np.array([0, 100]), np.array([0, 50]), np.array([0, 50, 100, 150]), 2.0).tolist()
    [50.0, 50.0, nan]
    """
    if len(times) < 2:
        return np.full(len(grid) - 1, math.nan)
    if not ascend and not bool(np.all(times[1:] >= times[:-1])):
        order = np.argsort(times, kind="stable")
        times, raws = times[order], raws[order]
    before = np.clip(np.searchsorted(times, grid, side="right") - 1, 0, len(times) - 2)
    near = distinct(
        np.concatenate(([0, len(times) - 1], before, before + 1))
    )  # all others say nothing of these moments
    at = np.interp(grid, times[near], raws[near].astype(np.float64), left=math.nan, right=math.nan)
    steps = np.diff(at) * factor
    return np.where(steps < 0, math.nan, steps)


@dataclass(frozen=True, slots=True)
class _Board:
    """The terms of one balance: points, their signs, and net energies along their arrows, a row for each, in mWh."""

    name: str
    below: bool  # a feeder against the points below it, not a board
    points: tuple[Point, ...]
    signs: Floats
    net: Floats

    def residual(self) -> Floats:
        """Feed side less outgoing side in each stretch."""
        return np.asarray(self.signs @ self.net)

    def throughput(self) -> float:
        """The larger of what comes in and goes out, summed over all stretches."""
        flows = self.signs[:, None] * self.net
        return float(np.maximum(np.maximum(flows, 0).sum(axis=0), np.maximum(-flows, 0).sum(axis=0)).sum())

    def scaled(self, rows: Sequence[int], factor: float) -> "_Board":
        """The balance with some terms multiplied."""
        net = self.net.copy()
        net[list(rows)] *= factor
        return _Board(self.name, self.below, self.points, self.signs, net)

    def left(self) -> float:
        """The residual as a ratio of the throughput."""
        throughput = self.throughput()
        return float(np.abs(self.residual()).sum()) / throughput if throughput else math.inf


def scale_doubts(site: Site, energies: Mapping[Channel, Floats], stretch_ms: int) -> list[ScaleDoubt]:
    """What seems wrong with units, ratios and directions, by energies of equal stretches (mWh, NaN where unknown).

    At most one doubt for each board and one for each point by its rating or role; nothing where too little flows.
    """
    known = {channel: values for channel, values in energies.items() if np.nansum(values) >= LEAST_MWH}
    fast = [doubt for point in site.points if (doubt := _too_fast(site, point, known, stretch_ms)) is not None]
    factors = {point: doubt.factor for doubt in fast for point in doubt.points}
    boards = [item for terms in _balances(site) if (item := _board(*terms, energies, factors)) is not None]
    by_board: list[ScaleDoubt] = []
    for item in boards:
        doubt = _by_balance(site, item)
        if doubt is not None and not {point for other in by_board for point in other.points} & set(doubt.points):
            by_board.append(doubt)
    named = {point for doubt in (*fast, *by_board) for point in doubt.points}
    turned = [_turned(site, point, known) for point in site.points if point.name not in named]
    return [*fast, *by_board, *(doubt for doubt in turned if doubt is not None)]


def _largest_w(site: Site, point: Point) -> float:
    if point.rating_a is None:
        return float(site.limits.point_max_w)
    board = next((board for board in site.boards if board.name == point.board), Board(point.board))
    return math.sqrt(3) * board.nominal_v * point.rating_a


def _too_fast(site: Site, point: Point, energies: Mapping[Channel, Floats], stretch_ms: int) -> ScaleDoubt | None:
    """A register whose usual power, half of the stretches in which it moves, is beyond what the circuit can carry."""
    limit = _largest_w(site, point)
    for register in (IMPORT, EXPORT):
        values = energies.get((point.name, register))
        moving = None if values is None else values[values > 0]
        if moving is None or not len(moving):
            continue
        power = float(np.median(moving)) * 3600 / stretch_ms
        if power <= OVER * limit:
            continue
        ratio = _ratio(site, point)
        if ratio is not None and _per_ct(site, point) and power / ratio <= limit:
            return ScaleDoubt((point.name,), DoubtKind.RATIO_TWICE, 1 / ratio, power_w=power, limit_w=limit)
        if power / 1000 <= limit:
            return ScaleDoubt((point.name,), DoubtKind.UNIT, 0.001, power_w=power, limit_w=limit)
    return None


def _balances(site: Site) -> Iterable[tuple[str, bool, tuple[Point, ...]]]:
    """Boards with their points, then feeders with the points below them, the feeder first."""
    for board in site.boards:
        yield board.name, False, tuple(point for point in site.on_board(board.name) if point.counts)
    for point in site.points:
        below = tuple(other for other in site.below(point.name) if other.counts)
        if below and point.counts and not point.unmetered_below:
            yield point.name, True, (point, *below)


def _board(
    name: str,
    below: bool,
    points: tuple[Point, ...],
    energies: Mapping[Channel, Floats],
    factors: Mapping[str, float],
) -> _Board | None:
    """The terms of a balance in the stretches in which all of them are known; None if there are too few."""
    rows = [_net(point, energies) for point in points]
    if len(points) < 2 or any(row is None for row in rows):
        return None
    net = np.array(
        [row * factors.get(point.name, 1.0) for point, row in zip(points, rows, strict=True) if row is not None]
    )
    whole = np.isfinite(net).all(axis=0)
    signs = np.array([1.0 if _feeds(point) or (below and place == 0) else -1.0 for place, point in enumerate(points)])
    if int(whole.sum()) < FEWEST or len(set(signs.tolist())) < 2:
        return None
    return _Board(name, below, points, signs, net[:, whole])


def _feeds(point: Point) -> bool:
    return point.role in (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)


def _net(point: Point, energies: Mapping[Channel, Floats]) -> Floats | None:
    along, against = energies.get((point.name, IMPORT)), energies.get((point.name, EXPORT))
    if along is None:
        return None if against is None else -against
    return along if against is None else along - against


def _by_balance(site: Site, board: _Board) -> ScaleDoubt | None:
    """The one register, or all outgoing ones together, whose multiplication closes the balance of a board."""
    residual, before = board.residual(), board.left()
    if before <= LEAST_RESIDUAL or board.throughput() < LEAST_MWH:
        return None
    groups: list[tuple[int, ...]] = [(row,) for row in range(len(board.points))]
    outgoing = tuple(row for row in groups_of(board.signs))
    groups += [outgoing] if len(outgoing) > 1 else []
    tried = sorted(
        (item for group in groups if (item := _trial(site, board, group, residual)) is not None),
        key=lambda item: item.left,
    )
    fits = [item for item in tried if item.left <= min(LEFT, GAINED * before)]
    if not fits or (len(tried) > 1 and tried[1].left < APART * max(fits[0].left, LEFT / 10)):
        return None
    return fits[0]


def groups_of(signs: Floats) -> Iterable[int]:
    """Rows of the outgoing side."""
    return (int(row) for row in np.flatnonzero(signs < 0))


def _trial(site: Site, board: _Board, rows: tuple[int, ...], residual: Floats) -> ScaleDoubt | None:
    """The factor at some terms that comes nearest to closing the balance, if it is a usual one; `left` says how near."""
    flow = board.signs[list(rows)] @ board.net[list(rows)]
    power = float(flow @ flow)
    if not power:
        return None
    factor = 1 - float(residual @ flow) / power
    points = tuple(board.points[row] for row in rows)
    usual = _usual(site, points, factor)
    if usual is None or (len(rows) > 1 and (usual[0] is not DoubtKind.UNIT or usual[1] < 1)):
        return None
    kind, step = usual
    if 0 < step < 1 and board.signs[rows[0]] > 0:
        return None  # a feed a thousand times too fast passes its rating; below it the feeders are too slow
    mended = board.scaled(rows, step)
    if _changes(mended.residual()) > SHAPE * _changes(residual):
        return None
    return ScaleDoubt(tuple(point.name for point in points), kind, step, board.name, board.below, mended.left())


def _changes(values: Floats) -> float:
    """How far values lie from their mean, summed."""
    return float(np.abs(values - values.mean()).sum())


def _usual(site: Site, points: Sequence[Point], factor: float) -> tuple[DoubtKind, float] | None:
    """The usual cause of a factor, and the factor it would have; None for one without a usual cause."""

    def near(steps: Iterable[float], how: float = NEAR) -> float | None:
        return next((step for step in steps if abs(factor / step - 1) <= how), None)

    if len(points) == 1 and near((-1.0,)):
        return DoubtKind.DIRECTION, -1.0
    if 1 / GROSS < factor < GROSS:
        return None
    ratio = _ratio(site, points[0])
    if len(points) == 1 and ratio is not None:
        if _per_ct(site, points[0]) and near((1 / ratio,)):
            return DoubtKind.RATIO_TWICE, 1 / ratio
        if not _per_ct(site, points[0]) and near((ratio,)):
            return DoubtKind.RATIO_MISSING, ratio
    if (step := near(UNIT_STEPS)) is not None:
        return DoubtKind.UNIT, step
    if (step := near(OTHER_STEPS)) is not None:
        return DoubtKind.FACTOR, step
    step = near(CT_STEPS, NEAR_RATIO) if len(points) == 1 and ratio is None else None
    return None if step is None else (DoubtKind.RATIO_MISSING, step)


def _fitted(site: Site, point: Point) -> Instrument | None:
    instruments = site.instruments_of(point.name)
    return instruments[-1] if instruments else None


def _ratio(site: Site, point: Point) -> float | None:
    instrument = _fitted(site, point)
    ratio = None if instrument is None else instrument.ct_ratio
    return None if ratio is None or ratio == 1 else float(ratio)


def _per_ct(site: Site, point: Point) -> bool:
    return any(row.per_ct for row in site.inputs_of(point.name) if row.register == IMPORT)


def _turned(site: Site, point: Point, energies: Mapping[Channel, Floats]) -> ScaleDoubt | None:
    """A source that consumes, or a feeder that exports without a source below it: import and export are exchanged."""
    if point.role not in (Role.PV, Role.FEEDER, Role.SUB) or not point.counts:
        return None
    against = energies.get((point.name, EXPORT))
    if against is None or (point.role is not Role.PV and has_source_below(site, point)):
        return None
    along = float(np.nansum(energies.get((point.name, IMPORT), np.zeros(1))))
    total = float(np.nansum(against))
    if total < AGAINST * along:
        return None
    return ScaleDoubt((point.name,), DoubtKind.DIRECTION, -1.0, along_mwh=round(along), against_mwh=round(total))


def other_unit(unit: str, factor: float) -> str:
    """The unit that a register is really in, if it has to be multiplied by 1000 or 1/1000 as read; empty if none is.

    >>> other_unit("Wh", 1000.0), other_unit("kWh", 0.001), other_unit("imp", 1000.0)
    ('kWh', 'Wh', '')
    """
    return (_LARGER if factor > 1 else _SMALLER).get(unit, "")


# -- in words ----------------------------------------------------------------------------------------------------------

_WORDS = {
    DoubtKind.FACTOR: "has to be multiplied by {factor:g}: a decimal place, a pulse weight or a current-transformer factor",
    DoubtKind.RATIO_MISSING: "looks like the secondary side: the current-transformer factor {factor:g} is missing",
    DoubtKind.RATIO_TWICE: "looks like the primary side: the current-transformer factor {ratio:g} is applied twice",
}


def scale_findings(site: Site, doubts: Iterable[ScaleDoubt], at_ms: int) -> list[Finding]:
    """One finding for each doubt; of several points the board is the subject."""
    findings = []
    for doubt in doubts:
        cause = "register-direction" if doubt.kind is DoubtKind.DIRECTION else "register-scale"
        subject = doubt.points[0] if len(doubt.points) == 1 else doubt.board
        sentence = f"{', '.join(doubt.points)}: {_in_words(site, doubt)}; {_because(doubt)}"
        findings.append(Finding(cause, subject, at_ms, sentence, remedy(cause), doubt.points, _proposed(site, doubt)))
    return findings


def _proposed(site: Site, doubt: ScaleDoubt) -> tuple[str, ...]:
    """What corrects the figures of one point since its meter was fitted; no factor exchanges import and export."""
    if doubt.kind is DoubtKind.DIRECTION or len(doubt.points) != 1:
        return ()
    return (energies_evidence(site, doubt.points[0], doubt.factor, _in_words(site, doubt)),)


def _in_words(site: Site, doubt: ScaleDoubt) -> str:
    if doubt.kind is DoubtKind.DIRECTION:
        return "import and export are exchanged, or the current transformers are reversed"
    if doubt.kind is not DoubtKind.UNIT:
        return _WORDS[doubt.kind].format(factor=doubt.factor, ratio=1 / doubt.factor)
    units = {row.unit for row in site.inputs for name in doubt.points if (row.point, row.register) == (name, IMPORT)}
    written = units.pop() if len(units) == 1 else ""
    real = other_unit(written, doubt.factor)
    times = round(max(doubt.factor, 1 / doubt.factor))
    if not real:
        return f"counts a thousand times too {'slowly' if doubt.factor > 1 else 'fast'} (factor {times})"
    return f"looks like {real} where the plan says {written} (factor {times})"


def _because(doubt: ScaleDoubt) -> str:
    if doubt.below:
        return f"with that the meters below {doubt.board} add up to within {doubt.left * 100:.1f} % of what flows"
    if doubt.board:
        return f"with that the balance of board {doubt.board} closes to {doubt.left * 100:.1f} % of what flows"
    if doubt.limit_w:
        return f"as it is read it draws {doubt.power_w / 1000:.1f} kW where {doubt.limit_w / 1000:.1f} kW are possible"
    return f"{doubt.against_mwh / 1e6:.1f} kWh flow against its arrow and {doubt.along_mwh / 1e6:.1f} kWh along it"


def backward_findings(falls: Mapping[Channel, Fall], at_ms: int) -> list[Finding]:
    """One finding for each point with a register that counts backwards: no reading of it can be used."""
    findings = {}
    for (point, register), fall in sorted(falls.items()):
        sentence = (
            f"{point}: its {REGISTERS[register].name} register counts backwards, by {fall.mwh / 1e6:.1f} kWh in "
            f"{fall.quarters} quarter hours"
        )
        cause, means = "register-direction", "the meter has the wrong sign, and none of these readings is used"
        findings[point] = Finding(cause, point, at_ms, sentence, remedy(cause), (point,), (means,))
    return list(findings.values())
