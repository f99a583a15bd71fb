"""Energy flows as bars below each other, for a narrow screen: each board with what comes into it and what goes out of it.

Coordinates are units of about a pixel with the origin at the top left.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterd.core.energy.energy_flow import Flow, FlowKind
from meterd.core.model.plan import Site
from meterd.core.reports.flow_chart import COMING

WIDTH = 346
TOP, STEP, BAR, INDENT = 16, 31, 9, 14  # first line of words, one row, the bar below its words, what belongs to a board
BELOW = 5  # from the line of the words to the bar
LINE = 16  # more for a board, the name of which has a line to itself
BETWEEN = 12  # free before a board


@dataclass(frozen=True, slots=True)
class FlowBar:
    """One row: a name at (x, name_y), its energy at (x, y) and a bar below them, from (x, bar_y) on and `length` long.

    `flow` None: the board itself, the name of which stands a line above.
    """

    x: float
    y: float
    name_y: float
    bar_y: float
    length: float
    board: str
    energy_mwh: int | None
    flow: int | None = None


@dataclass(frozen=True, slots=True)
class FlowBars:
    """Everything to draw."""

    width: int
    height: int
    bars: tuple[FlowBar, ...]


def flow_bars(site: Site, flows: Sequence[Flow]) -> FlowBars | None:
    """The rows of these flows, boards in the order of the plan; bars of one scale. None if no energy is known.

    What comes into a board stands above what goes out of it, each the largest first; a flow from board to board stands below
    both of them. A row whose energy is missing has no bar.
    """
    groups = [(board.name, *_sides(flows, board.name)) for board in site.boards]
    through = {name: max(_sum(flows, coming), _sum(flows, going)) for name, coming, going in groups}
    largest = max([*through.values(), *(flow.energy_mwh or 0 for flow in flows)], default=0)
    if largest <= 0:
        return None
    bars, y = list[FlowBar](), TOP
    for name, coming, going in groups:
        if not coming and not going:
            continue
        y += LINE + (BETWEEN if bars else 0)
        length = round(WIDTH * through[name] / largest, 1)
        bars.append(_bar(name, 0, y, length, through[name]))
        for number in (*coming, *going):
            y += STEP
            energy = flows[number].energy_mwh
            length = round((WIDTH - INDENT) * max(energy or 0, 0) / largest, 1)
            bars.append(replace(_bar(name, INDENT, y, length, energy), name_y=y, flow=number))
        y += STEP
    return FlowBars(WIDTH, y - STEP + TOP + BAR, tuple(bars))


def _bar(board: str, x: float, y: float, length: float, energy_mwh: int | None) -> FlowBar:
    return FlowBar(x=x, y=y, name_y=y - LINE, bar_y=y + BELOW, length=length, board=board, energy_mwh=energy_mwh)


def comes_into(flow: Flow, board: str) -> bool:
    """Whether the energy of a flow comes into a board."""
    return flow.kind in COMING or (flow.kind is FlowKind.SUPPLY and flow.into == board)


def _sides(flows: Sequence[Flow], board: str) -> tuple[list[int], list[int]]:
    own = [i for i, flow in enumerate(flows) if board in (flow.board, flow.into)]
    own.sort(key=lambda i: -(flows[i].energy_mwh or 0))
    coming = [i for i in own if comes_into(flows[i], board)]
    return coming, [i for i in own if i not in coming]


def _sum(flows: Sequence[Flow], numbers: Sequence[int]) -> int:
    return sum(flows[i].energy_mwh or 0 for i in numbers)
