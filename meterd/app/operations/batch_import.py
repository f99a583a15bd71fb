"""`meterd replay --into`: old readings into the journal of a store, and all figures made from them."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.app.operations.drift_job import keep_days
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.replay_work import Report, Step, Work, note_beyond, note_column, nothing_read
from meterd.app.operations.scale_check import ScaleCheck
from meterd.core.errors import SourceError
from meterd.core.model.periods import floor
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import Correction
from meterd.core.registers.register_line import Ints
from meterd.core.registers.stored_readings import StoredReadings
from meterd.core.reports.import_report import examine


def corrections_of(store: Path) -> tuple[Correction, ...]:
    """The corrections that are entered in a store."""
    with open_to_read(store) as reader:
        return tuple(reader.corrections.all())


def into_store(work: Work, path: Path, now_ms: int, step: Step) -> Report:
    """Readings into the journal of a store, and all figures made from it."""
    report = Report()
    _expect_readings(work)
    with open_to_write(path) as store:
        site = work.plan.site
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        ends, firsts, check = [], {}, ScaleCheck(site, ledger.state.rules)
        for channel, times, values in _columns(_with_levels(work, store), report):
            check.take(channel, times, values)
            note_beyond(report, channel, ledger.state.rules[channel], (times, values))
            ledger.import_history(channel, times, values, now_ms)
            if len(times):
                ends.append(int(times.max()))
                firsts[channel] = int(times.min())
            step(channel)
        report.checks = check.findings()
        if ends:
            report.first_ms, report.until_ms = min(firsts.values()), floor(max(ends), site.interval_s * 1000)
            ledger.recompute_all(report.until_ms, now_ms, firsts)
            keep_days(store, site)
            report.decided = list(ledger.state.events)
            for _, event in report.decided:
                report.events[event.kind] = report.events.get(event.kind, 0) + 1
    return report


def _expect_readings(work: Work) -> None:
    """SourceError if no register has a reading, before anything is written."""
    report = Report()
    for channel in work.channels:
        times, _, refused = work.column(channel)
        if len(times):
            return
        note_column(report, channel, 0, refused)
    report.left_out += work.history.left_out
    raise SourceError(nothing_read(report))


def _columns(work: Work, report: Report) -> Iterator[tuple[Channel, Ints, Ints]]:
    for channel in work.channels:
        times, values, refused = work.column(channel)
        note_column(report, channel, len(times), refused)
        report.last_ms = max(report.last_ms, int(times.max()) if len(times) else 0)
        report.registers.append(examine(channel, times, refused, work.plan.site.limits.gap_exact_s * 1000))
        yield channel, times, values
    report.strangers = dict(work.history.strangers)
    report.left_out += work.history.left_out


def _with_levels(work: Work, store: StoredReadings) -> Work:
    """What export registers show that did not count: as said, else as the store has them next after the files, else 0."""
    results = dict(work.standing)
    for channel, shown in work.standing.items():
        times, _, _ = work.history.column(channel[0], IMPORT)
        if shown is None and len(times):
            later = store.readings_between(channel, int(times.max()), 2**62, most=1)
            results[channel] = int(later[0].value) if later else 0
    return replace(work, standing=results)
