"""What the rows of the table of derived values need to know of a plan, made once for the last one."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from meterd.core.model.plan import Board, PointState, Role, Site
from meterd.core.model.reading import REGISTERS


@dataclass(frozen=True, slots=True)
class LoadedBoard:
    """A board with a rating whose counting feeds all have a power input; `registers` are read at every one of them."""

    feeds: tuple[str, ...]
    registers: frozenset[str]
    rating_va: float
    rated_a: float  # per phase, S / (sqrt(3) U)

    @property
    def reactive(self) -> bool:
        """Whether reactive power is read at every feed."""
        return "131.7.0" in self.registers


def _loaded_board(site: Site, board: Board, inputs: frozenset[tuple[str, str]]) -> LoadedBoard | None:
    feeds = tuple(p.name for p in site.points_of(board.name) if p.role is Role.FEED and p.counts)
    if not board.rating_kva or not feeds:
        return None
    registers = frozenset(obis for obis in REGISTERS if all((feed, obis) in inputs for feed in feeds))
    rating_va = board.rating_kva * 1000
    return LoadedBoard(feeds, registers, rating_va, rating_va / (math.sqrt(3) * board.nominal_v))


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """What the rows need to know of one plan, made once."""

    site: Site
    registers: Mapping[str, tuple[str, ...]]  # OBIS code -> points that are read
    loaded: Mapping[str, LoadedBoard]


_cached_facts: PlanFacts | None = None


def plan_facts_of(site: Site) -> PlanFacts:
    """The plan of a site, kept for the last one: comparing or hashing 1,000 points every second would cost more."""
    global _cached_facts
    plan_facts = _cached_facts
    if plan_facts is None or plan_facts.site is not site:
        plan_facts = _cached_facts = _made_of(site)
    return plan_facts


def _made_of(site: Site) -> PlanFacts:
    inputs = frozenset((i.point, i.register) for i in site.inputs)
    read = [p.name for p in site.points if p.state is not PointState.RETIRED]
    registers = {obis: tuple(name for name in read if (name, obis) in inputs) for obis in REGISTERS}
    loaded = {board.name: result for board in site.boards if (result := _loaded_board(site, board, inputs)) is not None}
    return PlanFacts(site, registers, loaded)
