"""Several sites at a glance, from what each of them retains on its broker: which version runs, does it live, what is open.

Pure: topics and payloads in, one row per site out. Sites may run different versions: what this one does not understand is
said and never guessed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.periods import from_ms
from meterd.core.model.plan_part import PlanPart
from meterd.core.topics.message import Service, parse_service

SILENT_PERIODS = 3  # heartbeats that may be missing before a site that says "live" is not believed any more


class SiteState(StrEnum):
    """How a site is, by its own word and by the age of it."""

    LIVE = "live"
    SILENT = "silent"  # it said "live", and its heartbeats have stopped
    GONE = "gone"
    UNREADABLE = "not understood"  # another program on that topic, or a version whose words are not known here


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One site of the fleet. `age_s` is since the last heartbeat; None of what is not known."""

    site: str
    living: SiteState
    version: str = ""
    zone_rules: str = ""
    epoch: int | None = None
    age_s: float | None = None
    findings: int = 0
    files: tuple[PlanPart, ...] = ()
    title: str = ""  # what people call it; empty before it says so

    @property
    def well(self) -> bool:
        """Whether nobody needs to look at the program itself."""
        return self.living is SiteState.LIVE


def site_rows(prefix: str, payloads: Mapping[str, bytes], now_ms: int) -> list[SiteRow]:
    """One row for each site with a service topic below the prefix, by name. Other topics count as findings or not at all."""
    results: dict[str, bytes] = {}
    findings: dict[str, int] = {}
    for topic, payload in payloads.items():
        site, _, rest = topic.removeprefix(f"{prefix}/").partition("/")
        if rest == "service":
            results[site] = payload
        elif rest.startswith("finding/"):
            findings[site] = findings.get(site, 0) + 1
    return [_row(site, payload, findings.get(site, 0), now_ms=now_ms) for site, payload in sorted(results.items())]


def _row(site: str, payload: bytes, findings: int, now_ms: int) -> SiteRow:
    service = parse_service(payload)
    if service is None:
        return SiteRow(site, SiteState.UNREADABLE, findings=findings)
    age_s = None if service.heartbeat_ms is None else max(0.0, (now_ms - service.heartbeat_ms) / 1000)
    return SiteRow(
        site, _site_state(service, age_s), version=service.version, zone_rules=service.zone_rules, epoch=service.epoch,
        age_s=age_s, findings=findings, files=service.files, title=service.title,
    )  # fmt: skip


def _site_state(service: Service, age_s: float | None) -> SiteState:
    if not service.live:
        return SiteState.GONE
    late = age_s is None or age_s > SILENT_PERIODS * max(service.period_s, 1)
    return SiteState.SILENT if late else SiteState.LIVE


def differing(rows: list[SiteRow]) -> list[str]:
    """In words, what is not the same everywhere: versions of the program and of the zone rules."""
    texts = []
    for what, values in (
        ("versions of the program", {row.site: row.version for row in rows if row.version}),
        ("editions of the zone rules", {row.site: row.zone_rules for row in rows if row.zone_rules}),
    ):
        kinds = sorted(set(values.values()))
        if len(kinds) > 1:
            parts = [f"{kind} ({sum(v == kind for v in values.values())} sites)" for kind in kinds]
            texts.append(f"{len(kinds)} {what}: {', '.join(parts)}")
    return texts


def as_fields(row: SiteRow, broker: str, now_ms: int) -> dict[str, object]:
    """A row for programs."""
    return {
        "site": row.site,
        "title": row.title or None,
        "broker": broker,
        "state": row.living,
        "version": row.version or None,
        "zone_rules": row.zone_rules or None,
        "epoch": row.epoch,
        "heartbeat_age_s": None if row.age_s is None else round(row.age_s, 1),
        "findings": row.findings,
        "seen": from_ms(now_ms).isoformat(timespec="seconds").replace("+00:00", "Z"),
    }
