"""A job of the calendar run now: by the daemon if one runs, else here, with the same record."""

import time
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.lock import is_held
from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.app.operations.job_request import JobRequest
from meterd.app.operations.job_work import run_job
from meterd.app.operations.orders import RUN, ask, new_order
from meterd.core.errors import ConfigError, MeterdError, StoreError, StoreInUse
from meterd.core.model.job_rules import fact_of, rules_of, stored_record
from meterd.core.model.schedule import (
    INSIDE,
    JobRecord,
    JobRule,
    JobState,
    begun,
    failed,
    first_seen,
    interrupted,
    newest_slot,
    succeeded,
    to_text,
)

POLL_S = 0.5
LOOK_S = 5.0  # between two looks whether the daemon still runs


def run_by_hand(plan: Plan, path: Path, job: str, person: str, now_ms: Callable[[], int]) -> tuple[bool, str]:
    """Run a job and wait for its end; whether it is done, and the words. ConfigError where it cannot be begun."""
    rule = _rule(plan, job)
    if not path.exists():
        raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
    zone = ZoneInfo(plan.site.zone)
    slot = newest_slot(rule, now_ms(), zone).label
    try:
        before = _remember(path, rule, lambda record: begun(record, slot, now_ms()), now_ms(), zone=zone)
    except StoreInUse:
        return _by_daemon(path, job, person)
    if job in INSIDE:
        _remember(path, rule, lambda _: before, now_ms(), zone=zone)
        raise ConfigError(f"the job {job} is done by the daemon, and none runs on this store; start it with meterd run")
    is_done, text = _work(JobRequest(job, plan, path, slot, now_ms()))
    change = succeeded if is_done else failed
    return is_done, text + _ended(path, rule, lambda record: change(record, now_ms(), text), now_ms(), zone=zone)


def _work(request: JobRequest) -> tuple[bool, str]:
    try:
        return True, run_job(request)
    except MeterdError as exc:
        return False, str(exc)


def _rule(plan: Plan, job: str) -> JobRule:
    rules = {rule.name: rule for rule in rules_of(plan.site)}
    if job not in rules:
        raise ConfigError(f"there is no job {job[:40]!r}; there are {', '.join(rules)}")
    if rules[job].off:
        raise ConfigError(f"the job {job} does not run: {rules[job].off}; see [schedule] of site.toml")
    return rules[job]


def _remember(
    path: Path, rule: JobRule, change: Callable[[JobRecord], JobRecord], now_ms: int, *, zone: ZoneInfo
) -> JobRecord:
    """Change the record of a job in a store that nobody else writes; returns the one before."""
    with open_to_write(path) as store:
        before = stored_record(store.fact, rule.name) or first_seen(rule, now_ms, zone)
        with store.transaction():
            store.set_fact(fact_of(rule.name), to_text(change(before)))
    return interrupted(before)


def _ended(path: Path, rule: JobRule, change: Callable[[JobRecord], JobRecord], now_ms: int, *, zone: ZoneInfo) -> str:
    try:
        _remember(path, rule, change, now_ms, zone=zone)
    except StoreInUse:
        return "; a daemon has been started meanwhile and runs it again"
    return ""


def _by_daemon(path: Path, job: str, person: str) -> tuple[bool, str]:
    """Order it, and wait until its record says that it has ended."""
    is_begun, text = ask(new_order(RUN, job, person), path)
    if not is_begun:
        raise ConfigError(text)
    looked_s = time.monotonic()
    while (record := _record(path, job)) is None or record.state is JobState.RUNNING:
        if time.monotonic() - looked_s > LOOK_S and not is_held(path):
            return False, "the daemon has ended meanwhile; its next start runs the job again"
        looked_s = time.monotonic() if time.monotonic() - looked_s > LOOK_S else looked_s
        time.sleep(POLL_S)
    return record.state is JobState.DONE, record.words


def _record(path: Path, job: str) -> JobRecord | None:
    with open_to_read(path) as store:
        return stored_record(store.fact, job)
