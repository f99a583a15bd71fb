"""What lies behind a gap: the findings that speak about meters of the board, what stands in the way, what to look at on site."""

from collections.abc import Sequence

from meterd.page import Viewer
from meterd.page.view import FindingLine, Values, finding_line, visible
from meterd.site import Board, Site
from meterd.snapshot import Snapshot

OUTSIDE = "outside-band"
ONE_METER = ("drift", "power-disagrees", "frozen-value", "meter-clock")  # causes that name the meter that is wrong
SEVERAL = ("balance-shift",)  # that list all meters which would fit


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
    causes = (*ONE_METER, *SEVERAL, OUTSIDE)
    found = [
        one
        for one in visible(snapshot.findings, viewer, site)
        if one.cause in causes and not names.isdisjoint({one.subject, *one.points})
    ]
    return [finding_line(one) for one in sorted(found, key=lambda one: causes.index(one.cause))]


def suspected(said: Sequence[FindingLine]) -> dict[str, str]:
    """Of each point that a finding speaks about, whether it is `named` or only `possible`."""
    marks: dict[str, str] = {}
    for line in said:
        if line.cause in SEVERAL or line.cause in ONE_METER:
            for point in line.points:
                marks.setdefault(point, "possible")
        if line.cause in ONE_METER:
            marks[line.subject] = "named"
    return marks


def obstacles(snapshot: Snapshot, viewer: Viewer, site: Site, gap: Gap | None) -> list[FindingLine]:
    """Open findings about the points whose energy is missing: why the balance cannot be computed."""
    missing = set() if gap is None else set(gap.missing)
    found = [
        one
        for one in visible(snapshot.findings, viewer, site)
        if not missing.isdisjoint({one.subject, *one.points}) and one.cause not in (*SEVERAL, OUTSIDE)
    ]
    return [finding_line(one) for one in found]


def checks(gap: Gap | None, said: Sequence[FindingLine]) -> list[str]:
    """Keys of what can be looked at on site in five minutes, most telling first; it follows from the case."""
    found: list[str] = []
    if gap is not None and gap.missing:
        found.append("check_missing")
    causes = {line.cause for line in said}
    if causes & {"meter-clock"}:
        found.append("check_clock")
    if causes & {*ONE_METER, *SEVERAL} - {"meter-clock"}:
        found += ["check_display", "check_sign", "check_ratio"]
    if causes & {*SEVERAL}:
        found.append("check_load")
    if gap is not None and gap.verdict == "outside":
        found.append("check_more_in" if (gap.residual_mwh or 0) > 0 else "check_more_out")
        found += ["check_display", "check_sign", "check_load"]
    return list(dict.fromkeys(found)) or ["check_display"]


def places(site: Site, gap: Gap | None, said: Sequence[FindingLine]) -> list[Place]:
    """Where to go: the meters that are named, then those that are missing; at most five minutes' worth."""
    named = [name for name, mark in suspected(said).items() if mark == "named"]
    wanted = dict.fromkeys([*named, *([] if gap is None else gap.missing)])
    known = {p.name: p for p in site.points}
    return [
        Place(point=name, title=known[name].title, place=known[name].place, designation=known[name].designation)
        for name in wanted
        if name in known
    ][:5]
