"""Which jobs run, and why the others do not."""

from dataclasses import replace

from meterd.core.model.job_rules import fact_of, job_statuses, mail_to, rules_of, stored_record
from meterd.core.model.plan import Allocation, Notify, Site
from meterd.core.model.schedule import NO_SCHEDULE, JobRecord, Schedule, begun, to_text
from tests.core.model.test_schedule import ms

SITE = Site("mill", "Europe/Vienna")
MAIL = Notify(email_to=("duty@mill.example",), email_from="m@mill.example", smtp_host="mail.mill.example")


def test_a_job_without_target_does_not_run() -> None:
    """It says what is missing; what needs none runs by itself."""
    reasons = {rule.name: rule.off for rule in rules_of(SITE)}
    assert reasons["backup"] == "no backup_folder"
    assert reasons["report"] == "no mail in [notify] and no documents_folder"
    assert reasons["costs"] == "no [[allocation]]"
    assert reasons["verify"] == reasons["drift"] == reasons["clocks"] == ""
    full = replace(
        SITE,
        schedule=Schedule(backup_folder="b", archive_url="a", retention_days=62),
        notify=MAIL,
        allocations=(Allocation("lift"),),
    )
    assert {rule.off for rule in rules_of(full)} == {""}
    assert {rule.off for rule in rules_of(replace(full, schedule=NO_SCHEDULE))} == {"off in the plan"}


def test_who_gets_documents() -> None:
    """Their own list, else whoever gets findings; nobody without a server."""
    assert mail_to(replace(SITE, notify=MAIL)) == ("duty@mill.example",)
    asked = Schedule(report_to=("office@mill.example",))
    assert mail_to(replace(SITE, notify=MAIL, schedule=asked)) == ("office@mill.example",)
    assert mail_to(replace(SITE, schedule=asked)) == ()


def test_how_jobs_stand() -> None:
    """A new one waits for its next slot, a damaged record counts as none."""
    record = begun(JobRecord(), "2026-05-02", 5)
    facts = {fact_of("verify"): to_text(record), fact_of("drift"): "{"}
    statuses = {status.rule.name: status for status in job_statuses(SITE, facts.get, ms(2026, 5, 2, 12))}
    assert statuses["verify"].record == record
    assert statuses["drift"].record == JobRecord()
    assert statuses["drift"].next_ms == ms(2026, 5, 2, 22, 30)
    assert statuses["backup"].next_ms is None
    assert stored_record(facts.get, "drift") is None
