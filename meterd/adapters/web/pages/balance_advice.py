"""What lies behind a gap: the findings that speak about meters of the board, what stands in the way, what to look at on site."""

from collections.abc import Sequence

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import FindingLine, Values, finding_line, visible
from meterd.core.model.finding_cause import LISTED, NAMED
from meterd.core.model.plan import Board, Site
from meterd.core.model.results import points_of
from meterd.core.model.snapshot import Snapshot

OUTSIDE = "outside-band"


class Gap(Values):
    """One balance; energies in mWh, None = missing."""

    start_ms: int
    end_ms: int
    feed_mwh: int | None
    outgoing_mwh: int | None
    residual_mwh: int | None
    band_mwh: int | None
    verdict: str
    estimated: bool
    covered: int
    of: int
    missing: list[str]
    uncovered: list[str]


class Place(Values):
    """Where a meter that is to be looked at hangs."""

    point: str
    title: str
    place: str
    designation: str


def suspects(snapshot: Snapshot, viewer: Viewer, site: Site, board: Board) -> list[FindingLine]:
    """What is open about the meters of this board: named ones first, then lists of all that fit, then the bare gap."""
    points = {p.name for p in site.on_board(board.name)}
    # a suspicion without a meter has the node of the network as its subject
    names = {board.name, f"board-{board.name}", *points, *(f"below-{point}" for point in points)}
    causes = (*NAMED, *LISTED, OUTSIDE)
    findings = [
        finding
        for finding in visible(snapshot.findings, viewer, site)
        if finding.cause in causes and not names.isdisjoint({finding.subject, *finding.points})
    ]
    return [finding_line(finding) for finding in sorted(findings, key=lambda finding: causes.index(finding.cause))]


def verdict(gap: Gap | None, outside: int, findings: Sequence[FindingLine]) -> str:
    """What a person may conclude: one gap inside its band is no "yes" while others are outside or a meter is suspect."""
    if gap is None or gap.residual_mwh is None:
        return "unknown"
    if gap.verdict == "outside":
        return "no"
    if gap.verdict != "inside":
        return "unknown"
    open_ = [line for line in findings if line.state != "explained"]
    return "but" if outside or open_ else "yes"


def suspected(findings: Sequence[FindingLine]) -> dict[str, str]:
    """Of each point that a finding speaks about, whether it is `named` or only `possible`."""
    marks: dict[str, str] = {}
    for line in findings:
        if line.cause in LISTED or line.cause in NAMED:
            for point in line.points:
                marks.setdefault(point, "possible")
        if line.cause in NAMED:
            marks[line.subject] = "named"
    return marks


def obstacles(snapshot: Snapshot, viewer: Viewer, site: Site, gap: Gap | None) -> list[FindingLine]:
    """Open findings about the points whose energy is missing: why the balance cannot be computed."""
    missing = set() if gap is None else set(points_of(gap.missing))
    findings = [
        finding
        for finding in visible(snapshot.findings, viewer, site)
        if not missing.isdisjoint({finding.subject, *finding.points}) and finding.cause not in (*LISTED, OUTSIDE)
    ]
    return [finding_line(finding) for finding in findings]


def checks(gap: Gap | None, findings: Sequence[FindingLine]) -> list[str]:
    """Keys of what can be looked at on site in five minutes, most telling first; it follows from the case."""
    results: list[str] = []
    if gap is not None and gap.missing:
        results.append("check_missing")
    causes = {line.cause for line in findings}
    if causes & {"meter-clock"}:
        results.append("check_clock")
    if causes & {*NAMED, *LISTED} - {"meter-clock"}:
        results += ["check_display", "check_sign", "check_ratio"]
    if causes & {*LISTED}:
        results.append("check_load")
    if gap is not None and gap.verdict == "outside":
        results.append("check_more_in" if (gap.residual_mwh or 0) > 0 else "check_more_out")
        results += ["check_display", "check_sign", "check_load"]
    return list(dict.fromkeys(results)) or ["check_display"]


def places(site: Site, gap: Gap | None, findings: Sequence[FindingLine]) -> list[Place]:
    """Where to go: the meters that are named, then those that are missing; at most five minutes' worth."""
    named = [name for name, mark in suspected(findings).items() if mark == "named"]
    wanted = dict.fromkeys([*named, *(() if gap is None else points_of(gap.missing))])
    known = {p.name: p for p in site.points}
    return [
        Place(point=name, title=known[name].title, place=known[name].place, designation=known[name].designation)
        for name in wanted
        if name in known
    ][:5]
