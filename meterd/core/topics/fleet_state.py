"""Many sites as they are now: who is live, whose clock is wrong, what is worst, and which fault several of them share.

Pure. Beside what the brokers retain it takes when each message came: a heartbeat that has just come tells how far the clock of
its site is off, and a site whose clock is wrong is not silent.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from meterd.core.model.finding_cause import blames_a_meter, rank
from meterd.core.model.plan import Site
from meterd.core.model.plan_part import PlanPart
from meterd.core.topics.fleet import SILENT_PERIODS, SiteRow, SiteState, site_rows
from meterd.core.topics.message import Parsed, parse, parse_service, usable

CLOCK_MS = 30_000  # heartbeats go out at once: more than this is no delay of a network
VERDICTS = ("outside", "not computable", "inside")  # the worst first
TARIFF = "tariff"  # not of the table of causes: prices of a plan that have ended


class Condition(StrEnum):
    """How a site is, the worst first."""

    UNASKED = "unasked"
    UNREADABLE = "unreadable"
    GONE = "gone"
    SILENT = "silent"
    CLOCK = "clock"
    LIVE = "live"


@dataclass(frozen=True, slots=True)
class Heard:
    """A message, when it came, and whether the broker had kept it."""

    payload: bytes
    at_ms: int
    kept: bool


@dataclass(frozen=True, slots=True)
class Known:
    """What the plan of a site says, where it was given: by point the class of its instrument and, where the plan tells it,
    the type; kinds of prices that have ended; what people call the site.
    """

    instruments: Mapping[str, str]
    ended: tuple[str, ...]
    types: Mapping[str, str] = field(default_factory=dict)
    title: str = ""


@dataclass(frozen=True, slots=True)
class OpenFinding:
    """An open finding of a site, as its topic says."""

    cause: str
    text: str
    remedy: str
    state: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SiteNow:
    """One site. None of what is not known; powers in W."""

    site: str
    broker: str
    condition: Condition
    version: str
    older: bool  # another site runs a later version
    age_s: float | None  # of the last heartbeat
    clock_s: float | None  # how far its clock is ahead
    findings: tuple[OpenFinding, ...]  # the most urgent first
    balance: str | None  # the worst verdict of its boards
    production_w: float | None
    draw_w: float | None
    files: tuple[PlanPart, ...] = ()  # of its plan, which others may have a copy of
    title: str = ""  # what people call it


class KindBy(StrEnum):
    """What the kind of a shared fault is."""

    TYPE = "type"  # of the instruments, as on the nameplate
    CLASS = "class"  # of the instruments, where a plan tells no type
    PRICE = "price"
    NONE = ""


@dataclass(frozen=True, slots=True)
class SharedFault:
    """The same fault at several sites. `kind` is that of the instruments, where all of them have the same."""

    cause: str
    kind: str
    remedy: str
    sites: tuple[str, ...]
    by: KindBy = KindBy.NONE


def known_of(site: Site, now_ms: int) -> Known:
    """What a plan tells beside the topics."""
    fitted = [
        item
        for item in site.instruments
        if item.from_ms <= now_ms and (item.until_ms is None or now_ms < item.until_ms)
    ]
    instruments = {item.point: _kind(item.meter_class, item.ct_class) for item in fitted}
    valid = {price.kind for price in site.tariff if price.until_ms is None or price.until_ms > now_ms}
    ended = {str(price.kind) for price in site.tariff if price.kind not in valid}
    return Known(
        {point: kind for point, kind in instruments.items() if kind},
        tuple(sorted(ended)),
        {item.point: item.type for item in fitted if item.type},
        site.title,
    )


def _kind(meter_class: str | None, ct_class: str | None) -> str:
    if meter_class is None:
        return ""
    return f"{meter_class} + CT {ct_class}" if ct_class else meter_class


def sites_now(broker: str, prefix: str, heard: Mapping[str, Heard], now_ms: int) -> list[SiteNow]:
    """Every site below a prefix, by name. `older` is not known yet."""
    rows = site_rows(prefix, {topic: item.payload for topic, item in heard.items()}, now_ms)
    return [_site_now(row, broker, f"{prefix}/{row.site}/", heard, now_ms=now_ms) for row in rows]


def unasked(site: SiteNow) -> SiteNow:
    """The same while its broker does not answer: what it said last says nothing of now."""
    return replace(site, condition=Condition.UNASKED, balance=None, production_w=None, draw_w=None)


def _site_now(row: SiteRow, broker: str, root: str, heard: Mapping[str, Heard], *, now_ms: int) -> SiteNow:
    service = heard[f"{root}service"]
    ahead_ms = _ahead_ms(service, now_ms)
    own = {topic.removeprefix(root): item for topic, item in heard.items() if topic.startswith(root)}
    age_s = row.age_s if service.kept or row.age_s is None else max(0.0, (now_ms - service.at_ms) / 1000)
    there_ms = now_ms + (ahead_ms or 0)
    verdicts = [
        value.text
        for topic, item in own.items()
        if topic.startswith("board/") and topic.count("/") == 2 and topic.endswith("/verdict")
        if (value := _value(item, there_ms)) is not None
    ]
    findings = [results for topic, item in own.items() if topic.startswith("finding/") and (results := _finding(item))]
    condition = _condition(row, service, age_s, ahead_ms)
    trusted = condition in (Condition.LIVE, Condition.CLOCK)  # a service topic that says gone makes every value invalid
    production, draw = (own.get(topic) if trusted else None for topic in ("pv/production", "site/draw"))
    return SiteNow(
        row.site, broker, condition, version=row.version, older=False, age_s=age_s,
        clock_s=None if ahead_ms is None else ahead_ms / 1000,
        findings=tuple(sorted(findings, key=lambda results: (rank(results.cause), results.text))),
        balance=next((verdict for verdict in VERDICTS if trusted and verdict in verdicts), None),
        production_w=_number(production, there_ms), draw_w=_number(draw, there_ms), files=row.files,
        title=row.title,
    )  # fmt: skip


def _ahead_ms(service: Heard, now_ms: int) -> int | None:
    """How far the clock of a site is ahead. A kept heartbeat tells only that it is: nobody knows when it was sent."""
    reported = parse_service(service.payload)
    if reported is None or reported.heartbeat_ms is None:
        return None
    if not service.kept:
        return reported.heartbeat_ms - service.at_ms
    return reported.heartbeat_ms - now_ms if reported.heartbeat_ms - now_ms > CLOCK_MS else None


def _condition(row: SiteRow, service: Heard, age_s: float | None, ahead_ms: int | None) -> Condition:
    if row.living is SiteState.UNREADABLE:
        return Condition.UNREADABLE
    if row.living is SiteState.GONE:
        return Condition.GONE
    reported = parse_service(service.payload)
    assert reported is not None, "it was understood"
    if age_s is None or age_s > SILENT_PERIODS * max(reported.period_s, 1):
        return Condition.SILENT
    return Condition.CLOCK if ahead_ms is not None and abs(ahead_ms) > CLOCK_MS else Condition.LIVE


def _value(item: Heard, there_ms: int) -> Parsed | None:
    try:
        value = parse(item.payload)
    except (ValueError, TypeError, KeyError):
        return None
    return value if usable(value, there_ms) else None


def _number(item: Heard | None, there_ms: int) -> float | None:
    value = None if item is None else _value(item, there_ms)
    return None if value is None else value.value


def _finding(item: Heard) -> OpenFinding | None:
    try:
        fields = json.loads(item.payload)
        texts = [str(fields.get(name, "")) for name in ("cause", "text", "remedy", "state")]
        return OpenFinding(texts[0], texts[1], texts[2], texts[3] or "new", tuple(map(str, fields.get("points", ()))))
    except (ValueError, AttributeError, TypeError):
        return None


def older_versions(sites: Sequence[SiteNow]) -> set[str]:
    """Versions that are not the latest one of those that run."""
    versions = {site.version for site in sites if site.version}
    newest = max(versions, key=_order, default="")
    return {version for version in versions if _order(version) < _order(newest)}


def _order(version: str) -> tuple[tuple[int, str], ...]:
    return tuple((int(part), "") if part.isdigit() else (-1, part) for part in version.split("."))


def shared_faults(sites: Sequence[SiteNow], known: Mapping[str, Known]) -> list[SharedFault]:
    """Faults that two sites or more have, the most urgent first, of equals that of more sites."""
    groups: dict[tuple[str, str, KindBy], dict[str, str]] = {}
    for site in sites:
        for results in site.findings:
            kind, by = _kind_of(results, known.get(site.site))
            groups.setdefault((results.cause, kind, by), {})[site.site] = results.remedy
        for kind in known[site.site].ended if site.site in known else ():
            groups.setdefault((TARIFF, kind, KindBy.PRICE), {})[site.site] = ""
    shared = [
        SharedFault(cause, kind, next(iter(where.values())), tuple(sorted(where)), by)
        for (cause, kind, by), where in groups.items()
        if len(where) > 1
    ]
    return sorted(shared, key=lambda fault: (rank(fault.cause), -len(fault.sites), fault.kind))


def _kind_of(results: OpenFinding, known: Known | None) -> tuple[str, KindBy]:
    if known is not None and blames_a_meter(results.cause):
        for by, texts in ((KindBy.TYPE, known.types), (KindBy.CLASS, known.instruments)):
            kinds = {texts.get(point, "") for point in results.points}
            if len(kinds) == 1 and (kind := kinds.pop()):
                return kind, by
    return "", KindBy.NONE
