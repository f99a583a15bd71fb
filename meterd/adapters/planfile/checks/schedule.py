"""Rules for [schedule]: a job that is asked for has its target, and nothing is deleted that is not archived."""

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.row import Row
from meterd.core.model.plan import LEAST_DAYS
from meterd.core.model.schedule import OFF, Schedule

_TARGETS = {"backup": "backup_folder", "archive": "archive_url"}


def check_schedule(draft: Draft, notes: Notes) -> None:
    """Targets, kept copies, one place for the password, a server for mail."""
    if draft.schedule is None:
        return
    row = draft.schedule.row
    data = Schedule(**draft.schedule.data.model_dump())
    for job, target in _TARGETS.items():
        if job in row.values and getattr(data, job) != OFF and not getattr(data, target):
            notes.warn(row.at(job), f"{job} does not run without {target}", f'write {target} = "..."')
    if data.backup_folder and not (data.backup_days or data.backup_weeks or data.backup_months):
        notes.fault(row.place, "no backup would be kept", "write backup_days = 7, or leave backup_folder out")
    if data.archive_password_env and data.archive_password_file:
        right = "keep archive_password_env or archive_password_file"
        notes.fault(row.at("archive_password_file"), "the password has two places", right)
    if data.report_to and (draft.notify is None or not getattr(draft.notify.data, "smtp_host", "")):
        notes.fault(row.at("report_to"), "mail has no server", "write smtp_host and email_from into [notify]")
    _check_retention(data, row, notes)


def _check_retention(data: Schedule, row: Row, notes: Notes) -> None:
    if not data.retention_days:
        return
    if data.retention_days < LEAST_DAYS:
        what = f"{data.retention_days} days are too few: late readings and corrections need them"
        notes.fault(row.at("retention_days"), what, f"write {LEAST_DAYS} or more, or 0 to delete nothing")
    if not data.archive_url or data.archive == OFF:
        what = "old readings are deleted only when they are archived"
        notes.fault(row.at("retention_days"), what, "write archive_url, and a time for archive")
