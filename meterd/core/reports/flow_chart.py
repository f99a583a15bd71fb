"""A drawing of energy flows: sources at the left, boards in the middle, feeders at the right, bands as wide as their energy.

Coordinates are units of about a pixel with the origin at the top left.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterd.core.energy.energy_flow import Flow, FlowKind
from meterd.core.model.plan import Site

WIDTH, DEEPER = 960, 160  # of a site whose boards stand side by side, and more for each board behind another
LEFT, RIGHT = 325, 320  # room for the words of both sides
NODE = 14  # width of a node
SLOT = 19  # least height of a node with its words
FULL = 420  # height of all energy together
TOP = 12
BETWEEN = 16  # free between boards
COMING = (FlowKind.SOURCE, FlowKind.EXCESS)


@dataclass(frozen=True, slots=True)
class Node:
    """A place where bands begin or end: a board, or one end of a flow (`flow` is its number; None for a board)."""

    x: float
    y: float
    height: float
    side: str  # "left", "board" or "right"
    board: str
    flow: int | None = None


@dataclass(frozen=True, slots=True)
class Ribbon:
    """A band from (x1, y1) to (x2, y2), the upper ends of its edges; `height` 0 where its energy is missing or none."""

    x1: float
    y1: float
    x2: float
    y2: float
    height: float
    flow: int

    @property
    def middle(self) -> float:
        """Half the way in x, where its edges turn."""
        return (self.x1 + self.x2) / 2


@dataclass(frozen=True, slots=True)
class FlowChart:
    """Everything to draw."""

    width: int
    height: int
    nodes: tuple[Node, ...]
    ribbons: tuple[Ribbon, ...]


def depths(site: Site) -> dict[str, int]:
    """How many boards stand before each one on the way of its supply."""
    on = {point.name: point.board for point in site.points}
    above = {board.name: on.get(board.fed_by or "", "") for board in site.boards}
    results: dict[str, int] = {}
    for name in above:
        seen, at = [name], above[name]
        while at and at not in seen:
            seen.append(at)
            at = above[at]
        results[name] = len(seen) - 1
    return results


def flow_chart(site: Site, flows: Sequence[Flow]) -> FlowChart | None:
    """The drawing of these flows; None if no energy is known."""
    come = sum(flow.energy_mwh or 0 for flow in flows if flow.kind in COMING)
    if come <= 0:
        return None
    return _FlowLayout(site, flows, FULL / come).chart()


class _FlowLayout:
    """A drawing in the making."""

    def __init__(self, site: Site, flows: Sequence[Flow], scale: float) -> None:
        self._flows, self._scale = flows, scale
        self._depth = depths(site)
        self._width = WIDTH + DEEPER * max(self._depth.values(), default=0)
        self._boards = _in_order(site, self._depth, flows)
        self._nodes: list[Node] = []
        self._ends: dict[int, Node] = {}

    def chart(self) -> FlowChart:
        """Ends of flows first, then the boards between them, then the bands."""
        bottom = max(self._ends_of("left", COMING), self._ends_of("right", tuple(set(FlowKind) - set(COMING))))
        boards = self._place_boards()
        bottom = max([bottom, *(node.y + node.height for node in boards.values())])
        nodes = (*boards.values(), *self._ends.values())
        return FlowChart(self._width, round(bottom + TOP), nodes, tuple(self._ribbons(boards)))

    def _height(self, number: int) -> float:
        return (self._flows[number].energy_mwh or 0) * self._scale

    def _of(self, board: str, kinds: Sequence[FlowKind]) -> list[int]:
        """Numbers of a board's flows of these kinds: the largest first, residuals last."""
        some = [i for i, flow in enumerate(self._flows) if flow.board == board and flow.kind in kinds]
        residual = (FlowKind.RESIDUAL, FlowKind.EXCESS)
        return sorted(some, key=lambda i: (self._flows[i].kind in residual, -self._height(i)))

    def _ends_of(self, side: str, kinds: Sequence[FlowKind]) -> float:
        """Nodes of one side, board by board; returns where they end."""
        y: float = TOP
        for board in self._boards:
            for number in self._of(board, kinds):
                if self._flows[number].kind is FlowKind.SUPPLY:
                    continue
                x = LEFT - NODE if side == "left" else self._width - RIGHT
                height = self._height(number)
                slot = max(SLOT, height + 3)
                self._ends[number] = Node(x, round(y + (slot - height) / 2, 1), round(height, 1), side, board, number)
                y += slot
            y += BETWEEN
        return y

    def _place_boards(self) -> dict[str, Node]:
        """Boards in columns by their depth, each beside its ends and below the one before in its column."""
        most = max(self._depth.values())
        low: dict[int, float] = {}
        results: dict[str, Node] = {}
        for board in self._boards:
            depth = self._depth[board]
            height = max(self._through(board), 2.0)
            own = [node for node in self._ends.values() if node.board == board]
            middle = sum(n.y + n.height / 2 for n in own) / len(own) if own else TOP + height / 2
            y = max(middle - height / 2, low.get(depth, TOP))
            low[depth] = y + height + BETWEEN
            x = LEFT + (self._width - LEFT - RIGHT - NODE) * (depth + 1) / (most + 2)
            results[board] = Node(round(x, 1), round(y, 1), round(height, 1), "board", board)
        return results

    def _through(self, board: str) -> float:
        out = sum(self._height(i) for i in self._of(board, tuple(set(FlowKind) - set(COMING))))
        come = [i for i, flow in enumerate(self._flows) if flow.into == board or flow.board == board]
        return max(out, sum(self._height(i) for i in come if i in self._coming(board)))

    def _coming(self, board: str) -> list[int]:
        supply = [i for i, flow in enumerate(self._flows) if flow.into == board]
        return [*supply, *self._of(board, COMING)]

    def _ribbons(self, boards: Mapping[str, Node]) -> list[Ribbon]:
        results: list[Ribbon] = []
        left = {board: node.y for board, node in boards.items()}
        right = dict(left)
        for board in self._boards:
            node = boards[board]
            for number in self._by_place(self._of(board, tuple(FlowKind)), boards):
                flow, height = self._flows[number], round(self._height(number), 1)
                if flow.kind in COMING:
                    end = self._ends[number]
                    results.append(Ribbon(end.x + NODE, end.y, node.x, round(left[board], 1), height, number))
                    left[board] += height
                    continue
                y = round(right[board], 1)
                right[board] += height
                if flow.kind is FlowKind.SUPPLY:
                    into = boards[flow.into]
                    results.append(Ribbon(node.x + NODE, y, into.x, round(left[flow.into], 1), height, number))
                    left[flow.into] += height
                else:
                    end = self._ends[number]
                    results.append(Ribbon(node.x + NODE, y, end.x, end.y, height, number))
        return results

    def _by_place(self, numbers: Sequence[int], boards: Mapping[str, Node]) -> list[int]:
        """Bands in the order of their other ends, so that they do not cross."""

        def place(number: int) -> float:
            into = self._flows[number].into
            return boards[into].y if into else self._ends[number].y

        return sorted(numbers, key=place)


def _in_order(site: Site, depth: Mapping[str, int], flows: Sequence[Flow]) -> list[str]:
    """Boards with the ones they supply behind them."""
    into = {board.name: [f.into for f in flows if f.board == board.name and f.into] for board in site.boards}
    results: list[str] = []
    waiting = [board.name for board in site.boards if depth[board.name] == 0]
    waiting += [board.name for board in site.boards if board.name not in waiting]
    while waiting:
        name = waiting.pop(0)
        if name not in results:
            results.append(name)
            waiting = [*into[name], *waiting]
    return results
