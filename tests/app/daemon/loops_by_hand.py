"""A loop that a test drives by hand: real parts and a real store, a broker that is away, and sources that the test holds."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from meterd.adapters.mqtt.link_state import LinkState
from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery, Refused
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.assembly import PlanRuntime, Runtime, make_plan_runtime
from meterd.app.daemon.inbox import Inbox
from meterd.app.daemon.job_runner import JobRunner
from meterd.app.daemon.loop import Loop
from meterd.app.daemon.output import Output
from meterd.app.daemon.source_monitor import SourceMonitor
from meterd.app.daemon.step_runner import Counters, StepRunner
from meterd.app.daemon.supervisor import Supervisor
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot


class Silent:
    """Takes the confirmations of readings that no protocol has brought."""

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Nothing."""

    def stop(self, limit_s: float) -> None:
        """Nothing."""

    def ack(self, token: object) -> None:
        """Nothing."""

    def counters(self) -> dict[str, int]:
        """None."""
        return {}

    def revive(self) -> bool:
        """Never."""
        return False

    def state(self) -> LinkState | None:
        """No connection."""

    def refused(self) -> dict[tuple[str, str], Refused]:
        """None."""
        return {}


@dataclass(slots=True)
class Hand(Silent):
    """Delivers what a test gives it, and `last` when it is told to stop; notes in `heard` what is asked of it.

    `stored` is asked with every confirmation: what it says then is noted with the token.
    """

    name: str = "hand"
    last: list[Delivery] = field(default_factory=list)
    stored: Callable[[], int] = int
    heard: list[tuple[str, object]] = field(default_factory=list)
    confirmed: list[tuple[object, int]] = field(default_factory=list)
    give: Callable[[Delivery], None] | None = None
    link: LinkState | None = None

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Deliveries go there."""
        self.give = deliver
        self.heard.append(("start", self.name))

    def stop(self, limit_s: float) -> None:
        """What is on its way comes before the end."""
        self.heard.append(("stop", self.name))
        for delivery in self.last:
            assert self.give is not None, "a source that was never started is not stopped"
            self.give(delivery)
        self.last = []

    def state(self) -> LinkState | None:
        """As a test has it."""
        return self.link

    def ack(self, token: object) -> None:
        """Confirmed."""
        self.confirmed.append((token, self.stored()))


@dataclass(slots=True)
class ByHand:
    """The loop and what it works with."""

    loop: Loop
    runtime: Runtime
    plan_runtime: PlanRuntime
    store: SqliteStore


@contextmanager
def by_hand(
    plan: Site,
    path: Path,
    clock: TrialClock,
    *,
    sources: tuple[Hand, ...] = (),
    show: Callable[[Snapshot], None] = lambda _: None,
    ending: Callable[[], bool] = lambda: False,
) -> Iterator[ByHand]:
    """Everything that a daemon makes for one plan, with other sources than those of the plan; nothing is started."""
    with ExitStack() as stack:
        store = SqliteStore.writer(path)
        stack.callback(store.close)
        counters = Counters()
        step_runner = StepRunner(clock, counters)
        runtime = Runtime(
            store=store,
            store_path=path,
            clock=clock,
            counters=counters,
            step_runner=step_runner,
            inbox=Inbox(counters),
            supervisor=Supervisor(step_runner, path.with_name("hung"), str),
            show=show,
            ending=ending,
            conditions=list,
            jobs=JobRunner(store, path),
        )
        output = Output(store)
        stack.callback(output.close)
        made = make_plan_runtime(plan, runtime, output.serve(plan), stack)
        monitors = [SourceMonitor(source.name, lambda source=source: source) for source in sources]  # type: ignore[misc]
        plan_runtime = replace(made, monitors=monitors or made.monitors)
        yield ByHand(Loop(plan_runtime, runtime), runtime, plan_runtime, store)


@contextmanager
def refusing(store: SqliteStore) -> Iterator[None]:
    """Every write to the store is refused, as on a disk that has become read-only; what is stored can be read."""
    store.connection.execute("PRAGMA query_only = ON")
    try:
        yield
    finally:
        store.connection.execute("PRAGMA query_only = OFF")
