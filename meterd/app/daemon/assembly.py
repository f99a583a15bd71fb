"""What a daemon is made of: what serves one plan, and what stays while plans change."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.line_database.feed import LineFeed, start_feed, token_of
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.publish.publisher import Publisher
from meterd.adapters.runtime.clock import Clock
from meterd.adapters.sources import Source
from meterd.adapters.sources.mqtt_settings import link_settings, settings_for
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.adapters.store.write_store import WriteStore
from meterd.app.daemon.alarm_job import AlarmJob
from meterd.app.daemon.disk_space import DiskSpace
from meterd.app.daemon.forecast_job import ForecastJob
from meterd.app.daemon.granted_watch import GrantedWatch
from meterd.app.daemon.inbox import Inbox
from meterd.app.daemon.job_runner import InsideJob, JobRunner
from meterd.app.daemon.network_watch import NetworkWatch
from meterd.app.daemon.sharing_job import SharingJob
from meterd.app.daemon.source_monitor import SourceMonitor
from meterd.app.daemon.step_runner import Counters, StepRunner
from meterd.app.daemon.supervisor import Supervisor
from meterd.app.operations.drift_job import DriftJob
from meterd.app.operations.dst_job import ClockChangeJob
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.order_handler import OrderHandler
from meterd.app.operations.roof_job import RoofJob
from meterd.app.operations.unusual_job import UnusualJob
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Broker, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.senml import EARLIEST_MS


@dataclass(frozen=True, slots=True)
class Runtime:
    """What stays while plans change. `ending` says whether the loop is to end; `conditions` what else a person should know."""

    store: WriteStore
    store_path: Path
    clock: Clock
    counters: Counters
    step_runner: StepRunner
    inbox: Inbox
    supervisor: Supervisor
    show: Callable[[Snapshot], None]
    ending: Callable[[], bool]
    conditions: Callable[[], list[Finding]]
    jobs: JobRunner


@dataclass(frozen=True, slots=True)
class PlanRuntime:
    """What works with one plan."""

    site: Site
    ledger: Ledger
    alarm_job: AlarmJob
    publisher: Publisher
    monitors: list[SourceMonitor]
    feed: LineFeed | None
    drift_job: DriftJob
    unusual_job: UnusualJob
    roof_job: RoofJob
    sharing_job: SharingJob
    clock_changes: ClockChangeJob
    disk_space: DiskSpace
    network: NetworkWatch
    granted: GrantedWatch
    forecast_job: ForecastJob


def make_plan_runtime(site: Site, runtime: Runtime, publisher: Publisher, stack: ExitStack) -> PlanRuntime:
    """The parts of a plan, its sources not started; they end with the stack. Raises ConfigError or StoreError."""
    store, path, clock = runtime.store, runtime.store_path, runtime.clock
    feed = start_feed(site, path, store, clock=clock.now_ms, stack=stack)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    monitors = [SourceMonitor(row.name, partial(source_of, row, site, clock)) for row in sources_of(site)]
    drift_job, unusual_job, roof_job = DriftJob(path, site), UnusualJob(path, site), RoofJob(path, site)

    def examine_again() -> None:
        drift_job.request_examination()
        unusual_job.request_examination()
        roof_job.request_examination()

    order_handler = OrderHandler(store, ledger, site, examine_again)
    disk_space = DiskSpace(store, path, site, ledger)
    alarm_job = AlarmJob(
        store,
        path,
        site,
        clock.now_ms(),
        order_handler,
        accepted=examine_again,
        run_job=runtime.jobs.run_now,
        prune=disk_space.prune,
    )
    stack.callback(alarm_job.close)
    stack.callback(drift_job.join, site.limits.stop_limit_s / 2)
    stack.callback(unusual_job.join, site.limits.stop_limit_s / 4)  # it takes a second
    stack.callback(roof_job.join, site.limits.stop_limit_s / 4)  # some seconds
    clock_changes = ClockChangeJob(path, site)
    stack.callback(clock_changes.close)
    stack.callback(disk_space.close, site.limits.stop_limit_s / 2)
    forecast_job = ForecastJob(store, path, site)
    stack.callback(forecast_job.join, site.limits.stop_limit_s / 2)
    return PlanRuntime(
        site,
        ledger,
        alarm_job,
        publisher=publisher,
        monitors=monitors,
        feed=feed,
        drift_job=drift_job,
        unusual_job=unusual_job,
        roof_job=roof_job,
        sharing_job=SharingJob(site, store),
        clock_changes=clock_changes,
        disk_space=disk_space,
        network=NetworkWatch(store, site),
        granted=GrantedWatch(store, site),
        forecast_job=forecast_job,
    )


def inside_jobs(plan_runtime: PlanRuntime) -> dict[str, InsideJob]:
    """The jobs of the calendar that parts of the loop do."""
    drift, clocks = plan_runtime.drift_job, plan_runtime.clock_changes

    def closed_to() -> int | None:
        return plan_runtime.ledger.state.closed_to

    def examined() -> tuple[bool, str] | None:
        if drift.outcome is not None:
            return drift.outcome.done, drift.outcome.words
        until = closed_to()
        return (True, "no day is closed yet") if until is None or drift.newest_day(until) is None else None

    def ask_drift() -> None:
        # a day that was examined when it closed is not examined twice
        if drift.outcome is None or not drift.outcome.done:
            drift.request_examination()

    def verified() -> tuple[bool, str] | None:
        text = clocks.outcome(closed_to())
        return None if text is None else (True, text)

    return {"drift": InsideJob(ask_drift, examined), "clocks": InsideJob(clocks.check_again, verified)}


def resume(plan_runtime: PlanRuntime, clock: Clock) -> bool:
    """Go on where the last run ended: a trial's time too. True if what a clock that was ahead has closed was opened."""
    closed_to = plan_runtime.ledger.state.closed_to
    if closed_to is not None:
        clock.saw(closed_to + plan_runtime.site.limits.close_after_s * 1000)
    now_ms = clock.now_ms()
    return now_ms >= EARLIEST_MS and plan_runtime.ledger.reopen(now_ms)


def sources_of(site: Site) -> list[SourceRow]:
    """The sources of a plan that are read."""
    used = {row.source for row in (*site.inputs, *site.can_take_inputs)} | {site.forecast.source}
    return [row for row in site.sources if row.name in used]


def source_of(row: SourceRow, site: Site, clock: Clock) -> Source:
    """A source, not started. Raises ConfigError for options or secrets that cannot work."""
    return PROTOCOLS[row.protocol].source(row, site, clock=clock.now_ms)


def output_settings(site: Site) -> LinkSettings:
    """How derived values get to the broker of a plan. Raises ConfigError for a secret that cannot be had."""
    return link_settings(settings_for(_output_row(site.broker), site))


def _output_row(broker: Broker) -> SourceRow:
    return SourceRow("out", "mqtt", (("client_id", broker.client_id),) if broker.client_id else ())


def rehearse(site: Site, clock: Clock) -> None:
    """Make everything that reads secrets and certificates, and start nothing: ConfigError before the old plan is let go."""
    for row in sources_of(site):
        source_of(row, site, clock)
    output_settings(site)
    if site.line_store.url:
        token_of(site.line_store)
