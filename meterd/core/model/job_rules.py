"""The jobs of a site: which of them run, why the others do not, and how each stands."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from meterd.core.model.plan import Site
from meterd.core.model.schedule import (
    JOBS,
    OFF,
    JobRecord,
    JobRule,
    clock_time,
    first_seen,
    from_text,
    next_run_ms,
)


@dataclass(frozen=True, slots=True)
class JobStatus:
    """A job with what is remembered of it and when it is begun next (None: never)."""

    rule: JobRule
    record: JobRecord
    next_ms: int | None


def rules_of(site: Site) -> tuple[JobRule, ...]:
    """Every job, in the order in which they run when several are due."""
    reasons = _reasons(site)
    rules = []
    for name, rhythm in JOBS.items():
        text = getattr(site.schedule, name)
        if text == OFF:
            rules.append(JobRule(name, rhythm, off="off in the plan"))
        else:
            rules.append(JobRule(name, rhythm, *clock_time(text), off=reasons.get(name, "")))
    return tuple(rules)


def _reasons(site: Site) -> Mapping[str, str]:
    """Why jobs do not run that have a time; empty for those that do."""
    schedule = site.schedule
    receivers = "" if mail_to(site) or schedule.documents_folder else "no mail in [notify] and no documents_folder"
    return {
        "backup": "" if schedule.backup_folder else "no backup_folder",
        "archive": "" if schedule.archive_url else "no archive_url",
        "retention": "" if schedule.retention_days else "retention_days is 0",
        "report": receivers,
        "costs": receivers if site.allocations else "no [[allocation]]",
    }


def mail_to(site: Site) -> tuple[str, ...]:
    """Who gets documents by mail; nobody without a mail server."""
    return (site.schedule.report_to or site.notify.email_to) if site.notify.smtp_host else ()


def fact_of(job: str) -> str:
    """The name under which the record of a job is stored."""
    return f"job:{job}"


def stored_record(fact: Callable[[str], str | None], job: str) -> JobRecord | None:
    """The record of a job; None if there is none, or none that can be read: then it begins anew."""
    stored = fact(fact_of(job))
    try:
        return None if stored is None else from_text(stored)
    except ValueError:
        return None


def job_statuses(site: Site, fact: Callable[[str], str | None], now_ms: int) -> tuple[JobStatus, ...]:
    """How every job stands."""
    zone = ZoneInfo(site.zone)
    statuses = []
    for rule in rules_of(site):
        record = stored_record(fact, rule.name)
        next_ms = next_run_ms(rule, record or first_seen(rule, now_ms, zone), now_ms, zone)
        statuses.append(JobStatus(rule, record or JobRecord(), next_ms))
    return tuple(statuses)
