"""How the program itself is: one value, its verdicts with reasons, and its two forms for machines (JSON, families of figures).

Nothing here measures; `app.state` fills the value in. Ages are seconds on the steady clock, moments ms UTC. None is what is
not known or does not exist: it is left out of the metrics and null in JSON.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

from meterd.core.model.periods import text

LOOP_LIMIT_S = 30.0  # a loop that has not gone on for so long hangs: its steps take a second at most


@dataclass(frozen=True, slots=True)
class SourceState:
    """One data source, and since when it is silent.

    `state` is `connected`, `subscribing` (connected, and the broker has not answered all subscriptions yet), `away`, `asking`
    (without a connection to a broker) or `resting` (another daemon with our client id reads).
    """

    name: str
    protocol: str
    state: str
    age_s: float | None = None  # since its last delivery
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Versions:
    """What runs. `plan` is the hash of what the plan means, `zone_rules` the version of the zone database."""

    meterd: str
    plan: str
    schema: int
    zone_rules: str


@dataclass(frozen=True, slots=True)
class Work:
    """What was done since the start, whole numbers."""

    readings: int = 0
    deliveries: int = 0
    ticks: int = 0
    figures: int = 0
    published: int = 0
    turned_away: int = 0
    unkept: int = 0
    failures: int = 0
    store_failures: int = 0
    late: int = 0
    reloads: int = 0


@dataclass(frozen=True, slots=True)
class LoopState:
    """The loop: `running` from the first snapshot on, what it does now and how long it has not gone on."""

    running: bool = False
    age_s: float | None = None
    step: str = ""
    queued_deliveries: int = 0
    queued_readings: int = 0
    revived: int = 0  # threads that had died and were started again
    stuck: tuple[str, ...] = ()  # threads that do not go on


@dataclass(frozen=True, slots=True)
class Storage:
    """The journal's size with what is not yet merged into it, the room on its disk, and lines a database has not got yet."""

    refuses: bool = False
    journal_bytes: int | None = None
    free_bytes: int | None = None
    lines_waiting: int | None = None  # None: the plan names no database


@dataclass(frozen=True, slots=True)
class LinkHealth:
    """The way out: connection, how often it was lost, who publishes, and the heartbeat through the broker and back."""

    connected: bool = False
    losses: int = 0
    publishes: bool = False
    epoch: int = 0
    heartbeat_age_s: float | None = None  # since one of ours last came back
    round_trip_s: float | None = None
    refused_topics: int = 0  # that the broker does not let us write


@dataclass(frozen=True, slots=True)
class ClockState:
    """The clock: whether it was ever set, why it is doubted (empty: it is not), how often it went back for good.

    `offset_s` is how far the computer's clock is ahead of the time the program goes by: 0 unless a jump is doubted.
    """

    is_set: bool = True
    doubt: str = ""
    steps_back: int = 0
    offset_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Health:
    """Everything about the program at one moment."""

    site: str
    now_ms: int
    started_ms: int | None
    restart_reason: str
    plan_since_ms: int | None
    versions: Versions
    loop: LoopState = LoopState()
    work: Work = Work()
    storage: Storage = Storage()
    link: LinkHealth = LinkHealth()
    clock: ClockState = ClockState()
    sources: tuple[SourceState, ...] = ()
    findings: tuple[tuple[str, int], ...] = ()  # open ones by their state: new, seen, explained


@dataclass(frozen=True, slots=True)
class Verdict:
    """Yes or no, and why not."""

    ok: bool
    reasons: tuple[str, ...] = ()


def alive(health: Health) -> Verdict:
    """Whether the process is worth keeping. While it starts it is: catching up with a long journal takes its time."""
    loop = health.loop
    if loop.running and loop.age_s is not None and loop.age_s > LOOP_LIMIT_S:
        return Verdict(False, (f"the loop stands in the step {loop.step} for {loop.age_s:.0f} s",))
    return Verdict(True)


def ready(health: Health) -> Verdict:
    """Whether it does its work: reads, keeps and publishes, or stands by for the daemon that does."""
    reasons = list(alive(health).reasons)
    if not health.loop.running:
        reasons.append("it is starting")
    if not health.clock.is_set:
        reasons.append("the clock of this machine was never set")
    if health.storage.refuses:
        reasons.append("the store takes nothing")
    if not health.link.connected:
        reasons.append("no connection to the broker")
    if health.link.refused_topics:
        reasons.append(f"the broker refuses {health.link.refused_topics} of our topics")
    away = [source_state.name for source_state in health.sources if source_state.state == "away"]
    if away and len(away) == len(health.sources):
        reasons.append(f"no source can be reached: {', '.join(away)}")
    return Verdict(not reasons, tuple(reasons))


def as_json(health: Health) -> str:
    """The value as one JSON object, with both verdicts in front."""
    fields = asdict(health)
    fields["findings"] = dict(health.findings)
    for name in ("now", "started", "plan_since"):
        at_ms = fields[f"{name}_ms"]
        fields[name] = None if at_ms is None else text(at_ms)
    verdicts = {"alive": asdict(alive(health)), "ready": asdict(ready(health))}
    return json.dumps({**verdicts, **fields}, ensure_ascii=False)


# -- figures for whoever watches many programs -------------------------------------------------------------------------

Labels = Mapping[str, str]
Sample = tuple[Labels, float | int | None]
_COUNTS = {
    "readings": "Readings stored in the journal.",
    "deliveries": "Deliveries of sources stored and confirmed.",
    "ticks": "Transactions of the loop.",
    "figures": "Interval figures written or changed.",
    "published": "Messages handed to the broker.",
    "turned_away": "Deliveries sent back because too many readings waited.",
    "unkept": "Readings that the journal cannot hold.",
    "failures": "Steps of the loop that went wrong.",
    "store_failures": "Times that the store took nothing.",
    "late": "Steps of the loop that took too long.",
    "reloads": "Plans taken over while running.",
}


@dataclass(frozen=True, slots=True)
class Family:
    """One family of figures. A unit is the end of the name; a sample without a value is not known."""

    name: str
    kind: str  # gauge, counter or info
    help: str
    samples: tuple[Sample, ...]
    unit: str = ""


def families(health: Health) -> list[Family]:
    """Every family of figures of the program."""
    work = asdict(health.work)
    versions = {key: str(value) for key, value in asdict(health.versions).items()}
    return [
        Family("build", "info", "What runs, and why it was started.",
               (({**versions, "site": health.site, "restart_reason": health.restart_reason}, 1),)),
        _gauge("start_time_seconds", "When the process was started, since 1970 UTC.", _seconds(health.started_ms)),
        _gauge("plan_time_seconds", "When the plan was taken, since 1970 UTC.", _seconds(health.plan_since_ms)),
        _gauge("alive", "1 while the loop runs.", int(alive(health).ok)),
        _gauge("ready", "1 while it reads, stores and publishes, or stands by.", int(ready(health).ok)),
        *_of_loop(health.loop),
        *(Family(name, "counter", message, (({}, work[name]),)) for name, message in _COUNTS.items()),
        *_of_storage(health.storage),
        *_of_link(health.link),
        _gauge("clock_doubted", "1 while the computer's clock is not trusted.", int(bool(health.clock.doubt))),
        _gauge("clock_offset_seconds", "How far the computer's clock is ahead of the time gone by here.", health.clock.offset_s),
        Family("clock_steps_back", "counter", "Times the clock was set back permanently.", (({}, health.clock.steps_back),)),
        *_of_sources(health.sources),
        Family("findings", "gauge", "Open findings by their state.", tuple(({"state": s}, n) for s, n in health.findings)),
    ]  # fmt: skip


def _of_loop(loop: LoopState) -> list[Family]:
    return [
        _gauge("loop_age_seconds", "How long the loop has not gone on.", loop.age_s),
        _gauge("queue_deliveries", "Deliveries that wait for the loop.", loop.queued_deliveries),
        _gauge("queue_readings", "Readings that wait for the loop.", loop.queued_readings),
        Family("threads_revived", "counter", "Threads that had died and were started again.", (({}, loop.revived),)),
        _gauge("threads_stuck", "Threads that hang.", len(loop.stuck)),
    ]


def _of_storage(storage: Storage) -> list[Family]:
    return [
        _gauge("store_refuses", "1 while the store takes nothing.", int(storage.refuses)),
        _gauge("journal_bytes", "Size of the store.", storage.journal_bytes),
        _gauge("disk_free_bytes", "Room on the disk of the store.", storage.free_bytes),
        _gauge("lines_waiting", "Lines that the database has not got yet.", storage.lines_waiting),
    ]


def _of_link(link: LinkHealth) -> list[Family]:
    return [
        _gauge("broker_connected", "1 while the broker of the derived values is connected.", int(link.connected)),
        Family("broker_losses", "counter", "Times that connection was lost.", (({}, link.losses),)),
        _gauge("refused_topics", "Topics that the broker does not let us write.", link.refused_topics),
        _gauge("publisher_active", "1 while this daemon publishes the site.", int(link.publishes)),
        _gauge("publisher_epoch", "Its epoch, 0 while passive.", link.epoch),
        _gauge("heartbeat_age_seconds", "Since a heartbeat last came back through the broker.", link.heartbeat_age_s),
        _gauge("heartbeat_round_trip_seconds", "How long the last one took there and back.", link.round_trip_s),
    ]


def _of_sources(sources: Iterable[SourceState]) -> list[Family]:
    rows = [
        ({"source": source_state.name, "protocol": source_state.protocol}, source_state) for source_state in sources
    ]
    reached = tuple((labels, int(source_state.state != "away")) for labels, source_state in rows)
    ages = tuple((labels, source_state.age_s) for labels, source_state in rows)
    return [
        Family("source_reached", "gauge", "0 while the connection of a source is away.", reached),
        Family("source_age_seconds", "gauge", "Since the last delivery of a source.", ages, "seconds"),
    ]


def _gauge(name: str, message: str, value: float | int | None) -> Family:
    unit = next((unit for unit in ("seconds", "bytes") if name.endswith(f"_{unit}")), "")
    return Family(name, "gauge", message, (({}, value),), unit)


def _seconds(at_ms: int | None) -> float | None:
    return None if at_ms is None else at_ms / 1000
