"""The daily balances that speak for a suspicion: those of the board of its likeliest cause."""

from collections.abc import Sequence

from meterd.app.operations.drift_job import MonitoredPart
from meterd.core.drift.deviation_course import BoardCourse, board_course
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site


def evidence_of(store: StoredFigures, site: Site, watched: Sequence[MonitoredPart]) -> list[tuple[str, BoardCourse]]:
    """Words and course of every suspicion that has enough days of one board."""
    days = store.span(Period.DAY)
    boards = [board.name for board in site.boards]
    evidence = []
    for part in watched:
        nodes = [node.name for node in part.network.nodes if node.name in boards]
        for suspicion in part.suspicions:
            near = [site.point(point).board for candidate in suspicion.candidates for point in candidate.points]
            name = next(iter([*near, *nodes]), None)
            course = (
                None if name is None or days is None else board_course(store, name, suspicion.change_ms, days[1] + 1)
            )
            if course is not None:
                evidence.append((suspicion.candidates[0].text, course))
    return evidence
