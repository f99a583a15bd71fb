"""What energies can be asked for together: the site, boards, tenants, patterns of points, single points; and their figures.

An energy counts along the arrow of the plan: import less export where both are read, production for PV.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from meterd.core.energy.rollup import Columns, runs_read
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.connection import connection_feeds
from meterd.core.model.pattern_title import pattern_title
from meterd.core.model.periods import Period
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel, PvRow
from meterd.core.registers.register_line import Flag, Ints

LEAST_POINTS = 3  # of a sum over points that may not be seen one by one: the sum of two tells each the other
SITE_FIGURES = ("consumption", "production", "self_use", "grid_import", "grid_export")


class ItemKind(StrEnum):
    """What an item is."""

    SITE = "site"
    BOARD = "board"
    TENANT = "tenant"
    PATTERN = "pattern"
    POINT = "point"


@dataclass(frozen=True, slots=True)
class EnergyItem:
    """One line of a chart: a figure of the site, the feed side of a board, or a signed sum of registers of `points`."""

    kind: ItemKind
    name: str
    title: str = ""
    points: tuple[str, ...] = ()
    channels: tuple[Channel, ...] = ()
    signs: tuple[int, ...] = ()

    @property
    def key(self) -> str:
        """How it is asked for, such as `point:bakery-ovens`."""
        return f"{self.kind}:{self.name}"


def point_items(site: Site) -> list[EnergyItem]:
    """Every point that counts and is read, in the order of the plan."""
    return [
        item
        for point in site.points
        if point.counts
        if (item := _sum(site, point.title, point.name, points=(point.name,)))
    ]


def board_items(site: Site) -> list[EnergyItem]:
    """The feed side of each board: what came in from feeds, PV and other sources, less what went back."""
    return [EnergyItem(ItemKind.BOARD, board.name, board.title) for board in site.boards]


def tenant_items(site: Site) -> list[EnergyItem]:
    """Each tenant with all points of its name; what hangs below another point of the same tenant is in that already."""
    names = dict.fromkeys(point.tenant for point in site.points if point.tenant)
    return [
        item
        for name in names
        if (item := _sum(site, name, name, points=_points_of_tenant(site, name), kind=ItemKind.TENANT)) is not None
    ]


def _points_of_tenant(site: Site, tenant: str) -> tuple[str, ...]:
    own = {point.name: point for point in site.points if point.tenant == tenant and point.counts}
    return tuple(name for name, point in own.items() if point.below not in own)


def pattern_items(site: Site) -> list[EnergyItem]:
    """Each pattern with all points that were copied from one drawn point."""
    groups: dict[tuple[str, str], list[str]] = {}
    for copied in site.copied:
        groups.setdefault((copied.pattern, copied.drawn), []).extend(copied.points)
    lone = {pattern for pattern, _ in groups if sum(p == pattern for p, _ in groups) == 1}
    results = []
    for (pattern, drawn), names in groups.items():
        name = pattern if pattern in lone else f"{pattern}/{drawn}"
        counted = tuple(p for p in names if site.point(p).counts)
        title = pattern_title(site, pattern, drawn) or name
        results.append(_sum(site, title, name, points=counted, kind=ItemKind.PATTERN))
    return [item for item in results if item is not None]


def site_items(site: Site) -> list[EnergyItem]:
    """The figures of the site: those of the PV accounting where there is PV, else sums of its feeds and other sources."""
    roles = {role: [p.name for p in site.points if p.counts and p.role is role] for role in Role}
    feeds = [p.name for p in connection_feeds(site)]
    if roles[Role.PV] and feeds:
        return [EnergyItem(ItemKind.SITE, name) for name in SITE_FIGURES]
    sources = [*feeds, *roles[Role.BACKUP], *roles[Role.STORAGE], *roles[Role.PV]]
    both, bought, sold = (IMPORT, EXPORT), (IMPORT,), (EXPORT,)
    sums = [
        _site_sum(site, "consumption", sources, both),
        _site_sum(site, "grid_import", feeds, bought),
        _site_sum(site, "grid_export", feeds, sold),
    ]
    return [item for item in sums if item is not None]


def _site_sum(site: Site, name: str, points: Sequence[str], registers: Sequence[str]) -> EnergyItem | None:
    """Registers of the connection together; exports count below zero only beside imports."""
    read = {(row.point, row.register) for p in points for row in site.inputs_of(p)}
    channels = tuple((p, r) for p in points for r in registers if (p, r) in read)
    signs = tuple(-1 if r == EXPORT and len(registers) > 1 else 1 for _, r in channels)
    return EnergyItem(ItemKind.SITE, name, "", (), channels, signs) if channels else None


def _sum(
    site: Site, title: str, name: str, *, points: Sequence[str], kind: ItemKind = ItemKind.POINT
) -> EnergyItem | None:
    """A signed sum over registers; None where nothing is read."""
    read = {(row.point, row.register) for p in points for row in site.inputs_of(p)}
    signed = [((p, r), sign) for p in points for r, sign in ((IMPORT, 1), (EXPORT, -1)) if (p, r) in read]
    if not signed:
        return None
    return EnergyItem(kind, name, title, tuple(points), tuple(c for c, _ in signed), tuple(s for _, s in signed))


_SOURCES = (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)


def counted_twice(site: Site, items: Sequence[EnergyItem]) -> bool:
    """Whether an energy may be in two of the items, so that they have no sum.

    It may in a feeder and what hangs below it, in a feed and the feeders of its board, in a board and what it supplies,
    in a figure of the site and any other.
    """
    if len(items) < 2:
        return False
    if any(item.kind is ItemKind.SITE for item in items):
        return True
    holders: dict[str, set[int]] = {}
    for number, item in enumerate(items):
        for part in (*item.points, *_busbars(site, item)):
            holders.setdefault(part, set()).add(number)
    own = [name for item in items for name in item.points]
    boards = [item for item in items if item.kind is ItemKind.BOARD]
    if len(set(own)) < len(own) or any(len(holders[bar]) > 1 for item in boards for bar in _busbars(site, item)):
        return True
    return any(
        holders.get(part, {number}) != {number} for number, item in enumerate(items) for part in _over(site, item)
    )


def _busbars(site: Site, item: EnergyItem) -> set[str]:
    """The boards of which an item is the feed side, or a part of it."""
    if item.kind is ItemKind.BOARD:
        return {_bar(item.name)}
    points = (site.point(name) for name in item.points)
    return {_bar(point.board) for point in points if point.role in _SOURCES and point.below is None}


def _bar(board: str) -> str:
    return f"board {board}"  # no point is named like that


def _over(site: Site, item: EnergyItem) -> set[str]:
    """The points and boards that the energy of an item has passed before."""
    fed_by = {board.name: board.fed_by for board in site.boards}
    starts = [fed_by[item.name]] if item.kind is ItemKind.BOARD else list(item.points)
    names = [name for start in starts if start is not None for name in (start, *_above(site, start))]
    passed = {_bar(site.point(name).board) for name in names}
    return (passed | set(names)) - set(item.points) - _busbars(site, item)


def _above(site: Site, name: str) -> Iterator[str]:
    """The points that count what a point counts: what it hangs below, and what supplies its board."""
    fed_by = {board.name: board.fed_by for board in site.boards}
    seen: set[str] = {name}
    place: str | None = name
    while place is not None:
        place = site.point(place).below or fed_by[site.point(place).board]
        if place in seen:
            return
        if place is not None:
            seen.add(place)
            yield place


def figures_of(stored: StoredFigures, item: EnergyItem, period: Period, starts: Ints) -> Columns:
    """The energies of one item in T periods as one column; missing where one of its terms is."""
    if not len(starts):
        return _column([])
    if item.kind is ItemKind.SITE and not item.channels:
        rows = {r.start_ms: r for low, last in runs_read(period, starts) for r in stored.pv(period, low, last + 1)}
        return _column([_of_site(rows.get(at), item.name) for at in starts.tolist()])
    if item.kind is ItemKind.BOARD:
        feeds = {
            b.start_ms: (b.feed, b.estimated)
            for low, last in runs_read(period, starts)
            for b in stored.balances(item.name, period, low, last + 1)
        }
        return _column([feeds.get(at, (None, False)) for at in starts.tolist()])
    columns = stored.columns(item.channels, period, starts)
    if len(item.channels) == 1:  # most items of a page: nothing to be added
        return Columns(np.where(columns.present, columns.energy * item.signs[0], 0), columns.present, columns.flags)
    energy: Ints = columns.energy @ np.array(item.signs, dtype=np.int64)
    present = np.all(columns.present, axis=1)
    flags = np.bitwise_or.reduce(columns.flags, axis=1)
    return Columns(np.where(present, energy, 0)[:, None], present[:, None], flags[:, None])


def _of_site(row: PvRow | None, name: str) -> tuple[int | None, bool]:
    if row is None:
        return None, False
    value: int | None = row.consumed if name == "consumption" else getattr(row, name)
    return value, row.estimated


def _column(values: Sequence[tuple[int | None, bool]]) -> Columns:
    return Columns(
        np.array([[value or 0] for value, _ in values], dtype=np.int64).reshape(-1, 1),
        np.array([[value is not None] for value, _ in values], dtype=np.bool_).reshape(-1, 1),
        np.array([[Flag.START if estimated else 0] for _, estimated in values], dtype=np.uint8).reshape(-1, 1),
    )
