"""`meterd jobs`: what happens by the calendar, how it went, and one of them now."""

import argparse
import sys
import zoneinfo
from pathlib import Path

from meterd.adapters.planfile.loader import Plan, load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.findings import user
from meterd.app.cli.output import terminal, write
from meterd.core.model.job_rules import JobStatus, job_statuses
from meterd.core.model.periods import local
from meterd.core.model.schedule import JobState

DONE, FAILED = 0, 1


def add(commands: Subparsers) -> None:
    """The command and its options."""
    jobs = command(commands, "jobs", _jobs, store=True, formats=("table", "csv", "json"))
    jobs.add_argument("--run", metavar="NAME", help="run this job now and wait until it has ended")
    jobs.add_argument("--by", metavar="PERSON", help="who asks for it; default: the user of this terminal")


def _jobs(arguments: argparse.Namespace) -> int:
    plan = load_plan(arguments.plan)
    path = arguments.store or store_path(arguments.plan, plan.site)
    return _list(plan, path, arguments.format) if arguments.run is None else _run(plan, path, arguments)


def _run(plan: Plan, path: Path, arguments: argparse.Namespace) -> int:
    from meterd.app.operations.job_by_hand import run_by_hand

    is_done, text = run_by_hand(plan, path, arguments.run, arguments.by or user(), WallClock().now_ms)
    print(f"{arguments.run}: {text}", file=sys.stdout if is_done else sys.stderr)
    return DONE if is_done else FAILED


def _list(plan: Plan, path: Path, form: str) -> int:
    """Exit code 1 if a job is not done that was to be."""
    now_ms = WallClock().now_ms()
    if path.exists():
        with open_to_read(path) as store:
            statuses = job_statuses(plan.site, store.fact, now_ms)
    else:
        statuses = job_statuses(plan.site, lambda _: None, now_ms)
    zone = zoneinfo.ZoneInfo(plan.site.zone)
    rows = [_row(status, zone) for status in statuses]
    write(rows, form, terminal(), title=f"Jobs ({plan.site.zone})", empty="no jobs")
    failing = (JobState.FAILED, JobState.INTERRUPTED)
    return FAILED if any(s.record.state in failing and not s.rule.off for s in statuses) else DONE


def _row(status: JobStatus, zone: zoneinfo.ZoneInfo) -> dict[str, object]:
    rule, record = status.rule, status.record
    when = f"{rule.hour:02d}:{rule.minute:02d} every {rule.rhythm}"
    return {
        "job": rule.name,
        "when": f"- ({rule.off})" if rule.off else when,
        "last": _moment(record.ended_ms or record.begun_ms, zone),
        "state": record.state,
        "next": _moment(status.next_ms or 0, zone),
        "tries": record.tries,
        "result": record.words,
    }


def _moment(at_ms: int, zone: zoneinfo.ZoneInfo) -> str:
    return local(at_ms, zone).isoformat(timespec="minutes") if at_ms else ""
