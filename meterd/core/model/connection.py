"""Where a site meets the grid, among boards of which one supplies another."""

from meterd.core.model.plan import Point, Role, Site


def connection_feeds(site: Site) -> tuple[Point, ...]:
    """The counting points at the grid connection: feeds of boards that no other board supplies.

    The feed of a board with `fed_by` is no connection: what passes it has passed the feeds of the board above already.
    """
    own = {board.name for board in site.boards if board.fed_by is None}
    return tuple(p for p in site.points if p.counts and p.role is Role.FEED and p.board in own)


def boards_behind_feeders(site: Site) -> frozenset[str]:
    """Names of the boards that a counting feeder supplies, at once or through other boards: it measures all they take."""
    fed_by = {board.name: board.fed_by for board in site.boards}
    return frozenset(name for name in fed_by if _behind(site, fed_by, name))


def _behind(site: Site, fed_by: dict[str, str | None], name: str) -> bool:
    seen: set[str] = set()
    feeder = fed_by[name]
    while feeder is not None and feeder not in seen:
        if site.point(feeder).counts:
            return True
        seen.add(feeder)
        feeder = fed_by[site.point(feeder).board]
    return False
