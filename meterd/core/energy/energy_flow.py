"""How energy flowed through a site: from feeds and PV over boards to feeders, and what of it was not metered."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.plan import Board, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel

EnergyOf = Callable[[Channel], int | None]


class FlowKind(StrEnum):
    """What a band is."""

    SOURCE = "source"  # from a feed, PV or another source into a board
    SUPPLY = "supply"  # from one board to another
    LOAD = "load"  # from a board to a feeder
    RETURN = "return"  # from a board back to the grid, or into a storage
    RESIDUAL = "residual"  # fed but not counted by the feeders: not metered, and errors of the meters
    EXCESS = "excess"  # counted by the feeders but not fed


@dataclass(frozen=True, slots=True)
class Flow:
    """One band of energy in mWh, None where it is missing.

    `point` names the metering point, empty for a residual; `into` the board that a SUPPLY goes to.
    """

    kind: FlowKind
    board: str
    energy_mwh: int | None
    point: str = ""
    into: str = ""


def board_flows(site: Site, board: Board, energy_of: EnergyOf) -> list[Flow]:
    """The bands of one board; those in and those out sum to the same where none is missing."""
    read = {(row.point, row.register) for row in site.inputs}
    own = _SupplyOf(site, board)
    flows = [
        flow
        for point in site.on_board(board.name)
        if point.counts and point.name not in own.points
        for flow in _of_point(
            site, point, [(point.name, r) for r in (IMPORT, EXPORT) if (point.name, r) in read], energy_of
        )
    ]
    return [*flows, *_residual(board.name, [*flows, *_supplied(board.name, own, read, energy_of)])]


@dataclass(frozen=True, slots=True)
class _SupplyOf:
    """The points that carry the supply of a board from an upper one: its own feed, if it has one, else the upper feeder."""

    site: Site
    board: Board

    @property
    def points(self) -> tuple[str, ...]:
        """Names of the points whose energy comes in along the SUPPLY band."""
        upper = self.board.fed_by
        if upper is None or not self.site.point(upper).counts:
            return ()
        feeds = [p.name for p in self.site.on_board(self.board.name) if p.role is Role.FEED and p.counts]
        return tuple(feeds) or (upper,)


def _supplied(board: str, own: _SupplyOf, read: set[Channel], energy_of: EnergyOf) -> list[Flow]:
    channels = [(p, r) for p in own.points for r in (IMPORT, EXPORT) if (p, r) in read]
    return [Flow(FlowKind.SOURCE, board, _net(channels, energy_of))] if channels else []


def _of_point(site: Site, point: Point, channels: Sequence[Channel], energy_of: EnergyOf) -> list[Flow]:
    """A feed counts both ways apart; a feeder or PV by its net energy, as a source if it goes against the arrow."""
    if point.role in (Role.FEED, Role.BACKUP, Role.STORAGE):
        return [
            Flow(FlowKind.SOURCE if r == IMPORT else FlowKind.RETURN, point.board, energy_of((p, r)), p)
            for p, r in channels
        ]
    net = _net(channels, energy_of)
    if point.role is Role.PV:
        back = net is not None and net < 0
        return [
            Flow(
                FlowKind.RETURN if back else FlowKind.SOURCE, point.board, None if net is None else abs(net), point.name
            )
        ]
    if net is not None and net < 0:
        return [Flow(FlowKind.SOURCE, point.board, -net, point.name)]
    into = next((b.name for b in site.boards if b.fed_by == point.name), "")
    return [Flow(FlowKind.SUPPLY if into else FlowKind.LOAD, point.board, net, point.name, into)]


def _net(channels: Sequence[Channel], energy_of: EnergyOf) -> int | None:
    values = [(energy_of(channel), 1 if channel[1] == IMPORT else -1) for channel in channels]
    return None if not values or any(v is None for v, _ in values) else sum((v or 0) * sign for v, sign in values)


def _residual(board: str, flows: Sequence[Flow]) -> list[Flow]:
    """What remains between both sides; missing where anything is."""
    sides = (FlowKind.SOURCE,), (FlowKind.LOAD, FlowKind.SUPPLY, FlowKind.RETURN)
    if any(flow.energy_mwh is None for flow in flows) or not any(flow.kind in sides[0] for flow in flows):
        return [Flow(FlowKind.RESIDUAL, board, None)]
    come, gone = (sum(flow.energy_mwh or 0 for flow in flows if flow.kind in side) for side in sides)
    return [Flow(FlowKind.RESIDUAL if come >= gone else FlowKind.EXCESS, board, abs(come - gone))]


def site_flows(site: Site, energy_of: EnergyOf) -> list[Flow]:
    """The bands of all boards in the order of the plan."""
    return [flow for board in site.boards for flow in board_flows(site, board, energy_of)]
