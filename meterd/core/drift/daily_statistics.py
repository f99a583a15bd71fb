"""What a day leaves behind for the watch: sums of products of reconciled flows and residuals, small enough to keep for ever.

For each node the columns are its signed reconciled flows (signature of a ratio error), the hours (standing load), the
loading k^2 times hours (loss) and the residual. The sums S0 = sum z_t z_t', S1 = sum z_t-1 z_t-1', C = sum (z_t z_t-1' +
transpose) over pairs of consecutive intervals give the sums of the AR(1)-whitened z_t - phi z_t-1 for any phi, chosen
later: S0 - phi C + phi^2 S1. Days add. Regressing the residual on raw readings is a trap: it is an exact combination of
them, and every gain comes out as 1; reconciled flows have that part taken out.
"""

import json
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from meterd.core.balance.network_reconciliation import Intervals, spread
from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats, Ints
from meterd.core.drift.daily_course import Course, coarse, course_of, signature_flows

FORMAT = 3  # of `to_bytes`; 1 had flows that kept a share of the residual, 2 courses with those that are not visible
VISIBLE = 3.0  # standard uncertainties; below it a reconciled flow is mostly adjustment


@dataclass(frozen=True, slots=True)
class NodeSums:
    """Sums of one node over some days: matrices [q, q] with q = points + 3 (standing, loss, residual last)."""

    S0: Floats
    C: Floats
    S1: Floats
    pairs: float

    def plus(self, other: "NodeSums") -> "NodeSums":
        """The sums of both stretches of time."""
        return NodeSums(self.S0 + other.S0, self.C + other.C, self.S1 + other.S1, self.pairs + other.pairs)

    def times(self, weight: float) -> "NodeSums":
        """The sums with every interval counted so much; a negative weight takes it away again."""
        return NodeSums(self.S0 * weight, self.C * weight, self.S1 * weight, self.pairs * weight)

    def whitened(self, phi: float) -> Floats:
        """Sum of products of z_t - phi z_t-1."""
        return np.asarray(self.S0 - phi * self.C + phi * phi * self.S1)


@dataclass(frozen=True, slots=True)
class DayStatistics:
    """The sufficient statistics of one day. `energy_kwh` are the sums of the points' measured energies.

    Recalculated from the same figures it is the same to the last bit, so a restart or a recalculation changes nothing.
    """

    fingerprint: str
    start_ms: int
    end_ms: int
    nodes: tuple[NodeSums, ...]
    energy_kwh: tuple[float, ...]
    course: Course | None = None  # interval by interval, for a look at what was found

    def to_bytes(self) -> bytes:
        """A line of JSON, then the matrices as little-endian float64, upper triangles only."""
        head = {
            "format": FORMAT,
            "fingerprint": self.fingerprint,
            "start_ms": self.start_ms,
            "end_ms": self.end_ms,
            "sizes": [len(n.S0) for n in self.nodes],
            "pairs": [n.pairs for n in self.nodes],
            "energy_kwh": self.energy_kwh,
            "course": None if self.course is None else [*self.course.flows.shape, self.course.residuals.shape[1]],
        }
        parts = [json.dumps(head, allow_nan=False).encode(), b"\n"]
        for node in self.nodes:
            upper = _upper(len(node.S0))
            parts += [np.asarray(part[upper], dtype="<f8").tobytes() for part in (node.S0, node.C, node.S1)]
        return b"".join([*parts, *(_course_bytes(self.course) if self.course is not None else ())])

    @staticmethod
    def from_bytes(data: bytes) -> "DayStatistics":
        """The day that `to_bytes` wrote. ValueError for another format or a wrong length."""
        line, _, rest = data.partition(b"\n")
        head = json.loads(line)
        if head.get("format") != FORMAT:
            raise ValueError(
                f"cannot read day statistics of format {head.get('format')}; make them again from the figures"
            )
        wanted = sum(3 * q * (q + 1) // 2 for q in head["sizes"])
        shape = head["course"]
        length = 8 * wanted + (0 if shape is None else _course_length(*shape))
        if len(rest) != length:
            raise ValueError(f"day statistics are {len(rest)} bytes long instead of {length}; make them again")
        course = None if shape is None else _course_of_bytes(rest[8 * wanted :], *shape)
        numbers, at, nodes = np.frombuffer(rest, dtype="<f8", count=wanted), 0, []
        for q, pairs in zip(head["sizes"], head["pairs"], strict=True):
            size, results = q * (q + 1) // 2, []
            for _ in range(3):
                results.append(_full(numbers[at : at + size], q))
                at += size
            nodes.append(NodeSums(results[0], results[1], results[2], pairs))
        energy = tuple(head["energy_kwh"])
        return DayStatistics(head["fingerprint"], head["start_ms"], head["end_ms"], tuple(nodes), energy, course)


def _course_bytes(course: Course) -> tuple[bytes, ...]:
    times = (np.ascontiguousarray(part, dtype="<i8") for part in (course.start_ms, course.end_ms))
    numbers = (np.ascontiguousarray(part, dtype="<f4") for part in (course.flows, course.loading, course.residuals))
    return (*(p.tobytes() for p in times), *(p.tobytes() for p in numbers), course.valid.astype(np.uint8).tobytes())


def _course_length(rows: int, points: int, nodes: int) -> int:
    return rows * (16 + 4 * points + 9 * nodes)


def _course_of_bytes(data: bytes, rows: int, points: int, nodes: int) -> Course:
    results, at = [], 0
    for kind, columns in (("<i8", 1), ("<i8", 1), ("<f4", points), ("<f4", nodes), ("<f4", nodes), ("u1", nodes)):
        part = np.frombuffer(data, dtype=kind, count=rows * columns, offset=at).reshape(rows, columns)
        results.append(part)
        at += part.nbytes
    start, end, flows, loading, residuals, valid = results
    return Course(start[:, 0], end[:, 0], flows, loading, residuals, valid.astype(np.bool_))


def _full(upper: Floats, q: int) -> Floats:
    matrix, places = np.empty((q, q)), _upper(q)
    matrix[places] = matrix.T[places] = (
        upper + 0.0
    )  # no zero with a minus sign: it would be another day to the last bit
    return matrix


@cache
def _upper(q: int) -> tuple[Ints, Ints]:
    rows, columns = np.triu_indices(q)
    return rows, columns


def daily_statistics(net: Network, table: Intervals) -> DayStatistics:
    """Statistics of the intervals of one day. Intervals that cannot be reconciled are left out, node by node."""
    table = coarse(table)
    parts = spread(net, table)
    flows = signature_flows(net, table)
    # a flow that is lost in its own uncertainty is only the residual shared out by weight: no signature of anything
    own = np.sqrt(parts.own + parts.shared**2)
    x = np.where(np.abs(flows.x) > VISIBLE * own, flows.x, 0.0)
    following = table.start_ms[1:] == table.end_ms[:-1]
    nodes = []
    for k, node in enumerate(net.nodes):
        z = np.empty((len(x), len(node.points) + 3))
        z[:, :-3] = x[:, list(node.points)] * np.array(node.signs, dtype=np.float64)
        z[:, -3], z[:, -2], z[:, -1] = flows.hours, flows.loading[:, k] * flows.hours, flows.residuals[:, k]
        pairs = flows.valid[1:, k] & flows.valid[:-1, k] & following
        nodes.append(sums_of_pairs(z[:-1][pairs], z[1:][pairs]))
    energy = np.where(table.present, table.energy, 0).sum(axis=0) / 1e6
    span = (int(table.start_ms[0]), int(table.end_ms[-1])) if len(table.start_ms) else (0, 0)
    course = course_of(table, replace(flows, x=x))
    return DayStatistics(net.fingerprint, *span, tuple(nodes), tuple(energy.tolist()), course)


def sums_of_pairs(before: Floats, now: Floats) -> NodeSums:
    """The sums of rows [T, q] and of those before them."""
    cross = now.T @ before
    S0, S1 = now.T @ now, before.T @ before
    return NodeSums((S0 + S0.T) / 2, cross + cross.T, (S1 + S1.T) / 2, len(now))


def add(days: tuple[DayStatistics, ...]) -> tuple[NodeSums, ...]:
    """The sums of a window of days, in the order given. ValueError when they belong to different networks."""
    if len({d.fingerprint for d in days}) != 1:
        raise ValueError("these days cannot be added: they belong to different networks (an instrument was exchanged)")
    total = days[0].nodes
    for day in days[1:]:
        total = tuple(a.plus(b) for a, b in zip(total, day.nodes, strict=True))
    return total
