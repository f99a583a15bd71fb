"""What the page of energies is asked for, read from its address: which energies, which range, which step, which picture."""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import Query
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.time_input import moment
from meterd.core.energy.energy_items import (
    LEAST_POINTS,
    EnergyItem,
    ItemKind,
    board_items,
    pattern_items,
    point_items,
    site_items,
    tenant_items,
)
from meterd.core.energy.range_sums import Calendar
from meterd.core.energy.time_range import Against, RangeKind, TimeRange, calendar_range
from meterd.core.model.periods import HOUR_MS, Period, bounds
from meterd.core.model.plan import Role, Site
from meterd.core.model.written import iso_date

GROUPS = ("feeders", "site", "boards", "tenants", "patterns", "points")
MOST_ITEMS = 500


class EnergyQuery(BaseModel):
    """Everything that the page shows follows from these."""

    of: Annotated[
        list[str], Field(max_length=MOST_ITEMS, description="such as point:NAME, board:NAME, or feeders")
    ] = []
    range: Literal[
        "today", "yesterday", "day", "week", "last-week", "month", "last-month", "year", "last-year", "span", "all"
    ] = "today"  # fmt: skip
    at: Annotated[str, Field(max_length=30, description="a moment in the day, week, month or year")] = ""
    from_: Annotated[str, Field(alias="from", max_length=30, description="first day or moment of a span")] = ""
    until: Annotated[str, Field(max_length=30, description="last day of a span, or the moment of its end")] = ""
    step: Literal["", "interval", "hour", "day", "week", "month", "year"] = ""
    picture: Literal["stacked", "lines", "bars", "duration", "heat", "flow", "cost"] = "stacked"
    against: Literal["before", "week", "year", "none"] = "before"
    table: Annotated[bool, Query(description="every figure as a table")] = False
    each: Annotated[bool, Query(description="the cost of each energy, also where that takes seconds")] = False

    def pairs(self, **changed: object) -> list[tuple[str, str]]:
        """The parts of this choice's address with some of it changed; what is as by default is left out."""
        values = {**self.model_dump(by_alias=True), **changed}
        usual = EnergyQuery().model_dump(by_alias=True)
        pairs = [("of", key) for key in values.pop("of")]
        return pairs + [(k, "true" if v is True else str(v)) for k, v in values.items() if v != usual[k]]

    def address(self, **changed: object) -> str:
        """The query string of this choice with some of it changed."""
        return urlencode(self.pairs(**changed), safe=":")


@dataclass(frozen=True, slots=True)
class Choosable:
    """What may be chosen by this viewer: items by group, and the keys of those that are restricted."""

    groups: dict[str, list[EnergyItem]]
    restricted: frozenset[str]

    def item(self, key: str) -> EnergyItem | None:
        """The item of a key."""
        return next((item for items in self.groups.values() for item in items if item.key == key), None)


def choosable(site: Site, viewer: Viewer) -> Choosable:
    """The items of the plan; single rooms, and what would tell them, only for those who may see them.

    A pattern is shown as a sum if it has at least LEAST_POINTS points; a tenant with a restricted point is restricted.
    """
    points = point_items(site)
    supplies = {board.fed_by for board in site.boards}
    feeders = [
        item for item in points if site.point(item.name).role is Role.FEEDER and item.name not in supplies
        and site.point(item.name).below is None
    ]  # fmt: skip
    groups = {
        "feeders": feeders,
        "site": site_items(site),
        "boards": board_items(site),
        "tenants": tenant_items(site),
        "patterns": pattern_items(site),
        "points": points,
    }
    hidden = {
        item.key
        for items in groups.values()
        for item in items
        if not all(viewer.sees(point, site) for point in item.points)
        and not (item.kind is ItemKind.PATTERN and len(item.points) >= LEAST_POINTS)
    }
    shown = {name: [item for item in items if item.key not in hidden] for name, items in groups.items()}
    return Choosable(shown, frozenset(hidden))


def chosen_items(asked: Sequence[str], known: Choosable, site: Site, language: str) -> list[EnergyItem]:
    """The items asked for, each once; the feeders where nothing is asked for, the figures of the site if there are none."""
    names = {name: point.name for point in site.points for name in point.aliases}
    results: dict[str, EnergyItem] = {}
    for key in asked or ["feeders"]:
        kind, _, name = key.partition(":")
        key = f"{kind}:{names[name]}" if kind == ItemKind.POINT and name in names else key
        if key in GROUPS:
            results |= {item.key: item for item in known.groups[key]}
            continue
        item = known.item(key)
        if key in known.restricted:
            raise HTTPException(
                403, wording.say(language, "point.hidden_more", role=wording.role_words(language, site.page.rooms))
            )
        if item is None:
            every = list({i.key: i for items in known.groups.values() for i in items}) + list(GROUPS)
            near = ", ".join(get_close_matches(key, every, n=3) or GROUPS)
            raise HTTPException(422, wording.say(language, "energy.unknown_item", item=key, known=near))
        results[key] = item
    if not results and not asked:
        return known.groups["site"]
    return list(results.values())


def asked_range(query: EnergyQuery, calendar: Calendar, now_ms: int, language: str) -> TimeRange:
    """The range of the address; 422 in words for one that cannot be."""
    kind, zone = RangeKind(query.range), calendar.zone
    if kind is RangeKind.ALL:
        low = bounds(Period.DAY, calendar.history[0], zone, HOUR_MS)[0]
        return TimeRange(low, bounds(Period.DAY, calendar.history[1] - 1, zone, HOUR_MS)[1])
    if kind is not RangeKind.SPAN:
        return calendar_range(kind, moment(query.at, zone, language) if query.at else now_ms, zone)
    if not query.from_ or not query.until:
        raise HTTPException(422, wording.say(language, "energy.span_needs_both"))
    low, high = moment(query.from_, zone, language), _end(query.until, zone, language)
    low -= low % calendar.interval_ms
    high += -high % calendar.interval_ms
    if low >= high:
        raise HTTPException(422, wording.say(language, "energy.span_wrong", start=query.from_, end=query.until))
    return TimeRange(low, high, _period_of(low, high, zone))


def _end(text: str, zone: ZoneInfo, language: str) -> int:
    """The end of a span: a year, month or day is included, a moment is not."""
    at, text = moment(text, zone, language), iso_date(text)
    kind = (
        {4: Period.YEAR, 7: Period.MONTH, 10: Period.DAY}.get(len(text))
        if not text.isdigit() or len(text) == 4
        else None
    )
    return at if kind is None else bounds(kind, at, zone, HOUR_MS)[1]


def _period_of(low: int, high: int, zone: ZoneInfo) -> Period | None:
    """The calendar period that a span is."""
    kinds = (Period.DAY, Period.WEEK, Period.MONTH, Period.YEAR)
    return next((kind for kind in kinds if bounds(kind, low, zone, HOUR_MS) == (low, high)), None)


def against_of(query: EnergyQuery) -> Against:
    """What the range is compared with; nothing comes before the whole history."""
    return Against.NONE if RangeKind(query.range) is RangeKind.ALL else Against(query.against)
