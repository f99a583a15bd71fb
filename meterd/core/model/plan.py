"""The metering plan as values: site, boards, points, instruments, inputs, consumers. All frozen, dated where needed.

Nothing here reads a file; `adapters.planfile` loads the plan folder, collects every fault and builds a `Site`.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Literal, TypeVar

from meterd.core.model.forecast import ForecastInput
from meterd.core.model.login import Login
from meterd.core.model.plan_part import PlanPart
from meterd.core.model.reading import CAN_TAKE, UNITS
from meterd.core.model.schedule import Schedule
from meterd.core.model.tariff import Price

T = TypeVar("T")
LEAST_DAYS = 62  # a late reading or a correction of two months back still finds what it needs


class Role(StrEnum):
    """What a point is on its board (design.md 2)."""

    FEED = "feed"
    PV = "pv"
    BACKUP = "backup"
    STORAGE = "storage"
    FEEDER = "feeder"
    SUB = "sub"


class PointState(StrEnum):
    """How far a point has come. Only `live` and `accepted` points count in a balance."""

    PLANNED = "planned"
    FITTED = "fitted"
    LIVE = "live"
    ACCEPTED = "accepted"
    RETIRED = "retired"


@dataclass(frozen=True, slots=True)
class Board:
    """A distribution board or busbar: the boundary of one balance.

    `fed_by` names the feeder of another board that supplies this one. `metered_side` "other" means that the feed is
    metered before the transformer, so that its losses (no-load, and load loss at rating) lie inside the balance.
    """

    name: str
    title: str = ""
    nominal_v: float = 400.0  # line-to-line
    rating_kva: float | None = None  # of the transformer that feeds it
    fed_by: str | None = None
    loss_p0_w: float | None = None  # of all its transformers together
    loss_pk_w: float | None = None
    metered_side: str = "own"  # "own" or "other"


@dataclass(frozen=True, slots=True)
class Point:
    """A metering point. `below` names the feeder it hangs under (role sub, or pv behind a feeder), else None.

    `unmetered_below` says that something below this feeder has no point, so that its points below make no balance.
    """

    name: str
    board: str
    role: Role
    below: str | None = None
    title: str = ""
    place: str = ""
    designation: str = ""
    tenant: str = ""
    state: PointState = PointState.LIVE
    rating_a: float | None = None
    aliases: tuple[str, ...] = ()
    unmetered_below: bool = False
    unusual_percent: int | None = None  # above the usual, from which its use is unusual; None: as its history says
    peak_kwp: float | None = None  # of a PV array under standard test conditions
    night_max_w: float | None = None  # mean of a night (0 to 5 o'clock) beyond which it is unusual

    @property
    def counts(self) -> bool:
        """Whether its figures enter balances and site sums."""
        return self.state in (PointState.LIVE, PointState.ACCEPTED)


@dataclass(frozen=True, slots=True)
class Instrument:
    """Meter and current transformers fitted at a point from `from_ms` until `until_ms` (exclusive; None = still there).

    `opening` and `closing` are what the register showed at those moments, per OBIS code, in milli-units as shown.
    `register_max_wh` is the largest value the register can show plus one step: the modulus of the rollover.
    """

    point: str
    from_ms: int
    until_ms: int | None = None
    serial: str = ""
    type: str = ""  # designation on the nameplate
    meter_class: str | None = None  # "0.2S" "0.5S" "0.5" "1" "2" (IEC 62053) or "A" "B" "C" (MID)
    ct_class: str | None = None  # IEC 61869-2; None = direct connection
    ct_set: str | None = None  # instruments on the same current transformers share this name
    ct_primary_a: float | None = None
    ct_secondary_a: float | None = None
    pulse_wh: Fraction | None = None
    register_max_wh: Fraction | None = None
    resolution_wh: Fraction = Fraction(0)
    opening: tuple[tuple[str, int], ...] = ()  # (OBIS code, milli-units)
    closing: tuple[tuple[str, int], ...] = ()
    gap: tuple[tuple[str, int], ...] = ()  # (OBIS code, mWh) that flowed between the one before and this one
    note: str = ""

    @property
    def ct_ratio(self) -> Fraction | None:
        """Primary over secondary current, or None for direct connection."""
        if self.ct_primary_a is None or self.ct_secondary_a is None:
            return None
        return Fraction(self.ct_primary_a) / Fraction(self.ct_secondary_a)


@dataclass(frozen=True, slots=True)
class Input:
    """Where one register of one point comes from.

    `source` names a `Source`; `address` is its topic, file column or register address; `field` a JSON Pointer
    (starts with "/" or is empty) or a SenML name; `unit` what the value is in (Wh, kWh, MWh, W, kW, imp, V, A, ...);
    `scale` a plain factor. `per_ct` means the value is on the secondary side and the dated CT ratio applies.
    `where` is file and line of the row, for messages.
    """

    point: str
    register: str
    source: str
    address: str
    field: str = ""
    unit: str = "Wh"
    scale: float = 1.0
    per_ct: bool = False
    time_field: str = ""  # JSON Pointer of the device time; empty = time of arrival (or SenML's own time)
    where: str = ""


def base_scale(source: Input) -> float:
    """Factor that turns a shown value into the base unit of its register: unit factor times the plan's scale.

    A pulse count (`imp`) stays a count; the CT ratio of `per_ct` is not in it either: both are dated and applied in
    `register`. KeyError for a unit the plan should have refused.

    >>> base_scale(Input("q01", "1.8.0", "broker", "meters/q01", unit="kWh", scale=0.1))
    100.0
    """
    return UNITS[source.unit][1] * source.scale


@dataclass(frozen=True, slots=True)
class Source:
    """One data source: a broker or a folder of files. `options` belong to the protocol, checked by its settings class."""

    name: str
    protocol: str  # "mqtt" or "file"
    options: tuple[tuple[str, str | int | float | bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Consumer:
    """A flexible load that may receive a share.

    `min_w` = `max_w` is an on/off load, `step_w` > 0 a stepped one, otherwise it follows continuously from `min_w` up. Its
    draw is known from its point only while nothing else draws there (`alone`); else its share counts as drawn. `can_take`
    is the topic on which its controller says what it could take now, with the field after a `#`, read by `can_take_source`.
    """

    name: str
    point: str | None = None
    priority: int = 1
    min_w: int = 0
    max_w: int = 0
    step_w: int = 0
    min_on_s: int = 0
    min_off_s: int = 0
    fallback_w: int = 0
    alone: bool = True
    can_take: str = ""
    can_take_source: str = ""

    @property
    def can_take_input(self) -> Input | None:
        """Where it says what it could take now, as an input under its own name; None where it says nothing."""
        if not self.can_take:
            return None
        topic, _, where = self.can_take.partition("#")
        return Input(self.name, CAN_TAKE, self.can_take_source, topic, where, "W", where=f"consumer {self.name}")


@dataclass(frozen=True, slots=True)
class Broker:
    """The broker of the derived values (and the default MQTT source). Secrets come from the environment or a file."""

    embedded: bool = False
    host: str = "localhost"
    port: int = 1883
    client_id: str = ""
    username: str = ""
    password_env: str = ""
    password_file: str = ""
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """Numbers of the plan that decide what is believed and when. Each default carries its reason."""

    contracted_w: int | None = None
    gap_exact_s: int = 300  # a boundary between readings further apart is estimated; a third of a quarter hour
    gap_estimate_s: int = 366 * 86_400  # beyond this even the shape is not estimated: the intervals are missing
    drift_pause_s: int = (
        60  # between two examinations by the drift watch, and before the first: who catches up closes many days
    )
    close_after_s: int = 60  # a period closes this long after its end, so that the boundary reading has arrived
    power_max_age_s: int = 60  # older power is not "now"
    same_time_s: int = 10  # power readings further apart than this are not combined
    reset_confirmations: int = 3
    freeze_max_s: int = 86_400  # a plateau longer than this that ends in a jump is a level change, not a freeze
    point_max_w: int = 1_000_000  # plausibility where a point has no rating_a; 1 MW passes any low-voltage feeder
    first_value_s: int = 60  # nothing on a granted topic for this long is a finding: most meters send each minute
    stale_after_s: int = 900  # a live point without a value for this long is a finding: a quarter hour would be missing
    meter_clock_s: int = (
        0  # how far the meters' clocks may be off; widens what an interval is believed to, 0 = set by us
    )
    # what is measured of a meter's clock widens bands up to this. 0, nothing measured does: it depends on when values came,
    # and a late way looks like a clock that is behind, while bands are the same whenever and however often they are made
    clock_band_s: int = 0
    future_s: int = 60  # a device time further ahead than this is refused
    publish_every_s: int = 30  # heartbeat of every topic
    dead_band_w: int = 10  # smaller changes of a power wait for the heartbeat
    surplus_some_w: int = 1_000  # from here on the surplus is "some": a small heater, a charger at its least
    surplus_plenty_w: int = 5_000  # from here on it is "plenty": a large water heater, a cooker, a car
    stop_limit_s: int = 10
    disk_free_mb: int = (
        100  # less room for the store is reported, and the log keeps to warnings: a day of a hundred points
    )
    keep_raw_days: int = 0  # with less room, verified readings older than this are deleted; 0 = none, 62 at least
    queue_limit: int = 100_000  # readings waiting for the loop; above it the newest of unknown topics go first


@dataclass(frozen=True, slots=True)
class Notify:
    """Who is notified of findings, by which ways, and how often. Each default carries its reason.

    Without `email_to` no mail is sent, without `webhook_url` no request. Secrets come from the environment or a file.
    """

    wait_s: int = 60  # a finding is reported when it has lasted this long: what mends itself in a minute wakes nobody
    clear_s: int = 600  # a finding that comes back within this time is the same one; the all-clear is reported after it
    repeat_h: int = (
        8  # one finding at most once a shift, until somebody marks it as seen; what comes more often is not read
    )
    gap_s: int = 300  # between two messages of one way: twelve an hour; what comes meanwhile is gathered into one
    most_per_message: int = 50  # findings in full; the rest is counted: a mail of ten screens
    timeout_s: int = 10  # for each answer of a server; on a local network it takes milliseconds
    email_to: tuple[str, ...] = ()
    email_from: str = ""
    smtp_host: str = ""
    smtp_port: int = 587  # submission with STARTTLS (RFC 6409); 465 with smtp_security = "tls" (RFC 8314)
    smtp_security: str = "starttls"  # "starttls", "tls", or "none" inside a trusted network
    smtp_username: str = ""
    smtp_password_env: str = ""
    smtp_password_file: str = ""
    smtp_ca_file: str = ""  # empty = the system's authorities
    webhook_url: str = ""
    webhook_header: str = "Authorization"  # carries the secret
    webhook_secret_env: str = ""
    webhook_secret_file: str = ""
    webhook_ca_file: str = ""


@dataclass(frozen=True, slots=True)
class LineStore:
    """A time-series database that is fed with everything the journal holds. Each default carries its reason.

    Without `url` there is none. The token comes from the environment or a file.
    """

    url: str = ""
    org: str = ""
    bucket: str = ""  # older servers call it a database
    token_env: str = ""
    token_file: str = ""
    ca_file: str = ""  # empty = the system's authorities
    batch: int = 5_000  # lines in one request: 0.5 MB, far below the limit of any server
    rate: int = 10_000  # lines per second at most, so that catching up leaves the server time for its readers
    timeout_s: int = 10  # for each answer; a batch takes a server some tens of milliseconds
    check_s: int = 300  # how often a point is read back; what came since is sent again after a start
    read_back: str = "query"  # "query" (InfluxQL), "export" (/api/v1/export), or "off": 204 is believed


@dataclass(frozen=True, slots=True)
class Sharing:
    """How the surplus is shared. Each default carries its reason."""

    mode: str = "off"  # "off", "shadow" (computed and logged, not published) or "on"; nothing acts until it is asked to
    reserve_w: int = 0  # kept back from the surplus; the dead band already keeps one load's worth
    ramp_w_per_s: int = 0  # how fast all shares together rise at most; 0: all loads in half a minute, like the sun
    dead_band_w: int = 0  # a load starts only with this much to spare; never less than the largest single load
    sample_s: int = 10  # one decision per sample: how often the power meters are read
    delay_samples: int = (
        2  # from a share to its effect in the readings: controller, load and meter, one sample each less one
    )
    backup_budget_w: int = 0  # on backup supply shares are zero unless the engine has power to spare
    release_s: int = 600  # after an outage all loads are released over ten minutes (cold-load pickup)
    rotate_s: int = 1_800  # a waiting load takes over from a running one that had this much longer
    overdraw_w: int = 200  # more than its share by this, or ...
    overdraw_part: float = 0.1  # ... by this part of it, for some samples, puts a consumer on its fallback
    overdraw_samples: int = 6  # a minute at ten seconds: longer than any controller's own ramp
    recover_s: int = 600  # a consumer that behaves again for so long gets shares again
    idle_s: int = 120  # a share not drawn for so long goes to others; a valve or a relay needs less to answer
    retry_s: int = 600  # and is offered one step after this time; each vain try makes the pause three times as long
    can_take_s: int = 300  # what a consumer says it could take counts for so long: tanks and cars are slow
    test_step_w: int = (
        0  # small steps of the shares to measure the delay of the loop; 0: only the steps that come anyway
    )
    key: str = "pro-rata"  # division of PV energy: static, pro-rata, hybrid, equal or priority
    keys: tuple[tuple[str, int], ...] = ()  # (tenant, weight) of static and hybrid; in priority order for priority


# what answers a question without being asked one, and belongs on a wall
WALL_PAGES = ("now", "balance", "energy", "point", "commissioning", "demand", "pv", "data", "findings")


@dataclass(frozen=True, slots=True)
class Page:
    """The page that the daemon serves. Each default carries its reason. Without `port` there is none."""

    listen: str = "127.0.0.1"  # this machine only; another address is a decision of the plan
    port: int = 0
    open: bool = True  # everyone who reaches the page may look; false: nobody without logging in
    rooms: str = "look"  # least role that sees the figures of single rooms: "open", "look", "acknowledge" or "change"
    language: str = "en"  # where a browser asks for no language that we have
    hosts: tuple[str, ...] = ()  # names it is reached by, beside localhost and `listen`; a page of elsewhere knows none
    users_file: str = ""  # names, roles and hashes of passwords; empty = beside the store
    cert_file: str = ""  # with key_file: HTTPS, and cookies that only travel over it
    key_file: str = ""
    path: str = ""  # what a proxy puts before our paths, such as "/energy"; links, redirects and cookies bear it
    proxies: tuple[str, ...] = ()  # addresses or networks that are believed who asks and by which scheme; nobody is
    wall: tuple[str, ...] = ("now",)  # what `/wall` turns over, as in the address: "energy?range=week"
    wall_s: int = 30  # each of them: enough to read a picture and its ranking from some distance


METHODS = ("static", "pro-rata", "hybrid", "equal", "priority")  # of PV energy accounting
BASES = ("use", "area", "fixed", "mixed")


@dataclass(frozen=True, slots=True)
class Allocation:
    """A cost that tenants bear together: what of, and by what it is divided. Each default carries its reason.

    The pot is the feed side of `board`, or the sum of `points`. `areas` are m2; `tenants` limits who takes part.
    """

    name: str
    title: str = ""
    board: str | None = None
    points: tuple[str, ...] = ()
    basis: str = "use"
    use_percent: int = 70  # of `mixed`, what is left goes by area: between the 50 and 70 % that contracts often have
    per: str = "month"  # each month stands for itself and a year is their sum; "year": only whole years are divided
    areas: tuple[tuple[str, Fraction], ...] = ()
    weights: tuple[tuple[str, int], ...] = ()  # of `fixed`
    tenants: tuple[str, ...] = ()
    price: Fraction | Literal["tariff"] | None = None  # per kWh, or by [[tariff]]; without one there is energy only
    currency: str = "EUR"


@dataclass(frozen=True, slots=True)
class BaselinePeriod:
    """What a measure is judged by: the days before it, and from when on its saving counts.

    `name` is a point, a board (its feed side) or the site (its consumption).
    """

    name: str
    from_ms: int
    until_ms: int
    reporting_ms: int  # from then on
    reason: str  # what was done


@dataclass(frozen=True, slots=True)
class Copied:
    """Points that are copies of one drawn point: a row of identical rooms or cabinets."""

    pattern: str
    drawn: str  # the name in the pattern, with {n}
    points: tuple[str, ...]


def _grouped(rows: Iterable[T], key: Callable[[T], str]) -> dict[str, tuple[T, ...]]:
    results: dict[str, list[T]] = {}
    for row in rows:
        results.setdefault(key(row), []).append(row)
    return {name: tuple(some) for name, some in results.items()}


@dataclass(frozen=True, slots=True)
class Site:
    """Everything behind one grid connection."""

    name: str
    zone: str  # IANA time zone
    title: str = ""
    interval_s: int = 900
    prefix: str = "energy"
    announce: str = ""  # address of this machine at which broker and page are announced; empty: nothing is
    boards: tuple[Board, ...] = ()
    points: tuple[Point, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    inputs: tuple[Input, ...] = ()
    sources: tuple[Source, ...] = ()
    consumers: tuple[Consumer, ...] = ()
    broker: Broker = Broker()
    limits: Limits = Limits()
    sharing: Sharing = Sharing()
    notify: Notify = Notify()
    line_store: LineStore = LineStore()
    page: Page = Page()
    login: Login = field(default_factory=Login)
    schedule: Schedule = field(default_factory=Schedule)
    copied: tuple[Copied, ...] = ()
    allocations: tuple[Allocation, ...] = ()
    tariff: tuple[Price, ...] = ()
    baselines: tuple[BaselinePeriod, ...] = ()
    holidays: frozenset[int] = frozenset()  # local days from 1970-01-01 that count as Sundays
    outdoor_c: tuple[tuple[int, float], ...] = ()  # start of a local day, mean outdoor temperature of it
    files: tuple[PlanPart, ...] = field(default=(), compare=False)  # that other plans may have a copy of
    forecast: ForecastInput = field(default_factory=ForecastInput)  # from outside; without a topic there is none
    store_path: str = ""  # relative to the plan; empty = "<site>.sqlite" beside it
    _by_name: dict[str, Point] = field(default_factory=dict, init=False, repr=False, compare=False)
    _instruments: dict[str, tuple[Instrument, ...]] = field(default_factory=dict, init=False, repr=False, compare=False)
    _inputs: dict[str, tuple[Input, ...]] = field(default_factory=dict, init=False, repr=False, compare=False)
    _on: dict[str, tuple[Point, ...]] = field(default_factory=dict, init=False, repr=False, compare=False)
    _below: dict[str, tuple[Point, ...]] = field(default_factory=dict, init=False, repr=False, compare=False)

    def point(self, name: str) -> Point:
        """The point of that name; KeyError if the plan has none."""
        return self._points_by_name()[name]

    def has_point(self, name: str) -> bool:
        """Whether the plan has a point of that name."""
        return name in self._points_by_name()

    def _points_by_name(self) -> dict[str, Point]:
        if not self._by_name:
            self._by_name.update({point.name: point for point in self.points})
        return self._by_name

    @property
    def can_take_inputs(self) -> tuple[Input, ...]:
        """What consumers say of themselves; not among `inputs`, which are registers of points."""
        return tuple(meter_input for consumer in self.consumers if (meter_input := consumer.can_take_input) is not None)

    def instruments_of(self, point: str) -> tuple[Instrument, ...]:
        """Instruments of a point in order of their dates."""
        if not self._instruments and self.instruments:
            ordered = sorted(self.instruments, key=lambda i: i.from_ms)
            self._instruments.update(_grouped(ordered, lambda i: i.point))
        return self._instruments.get(point, ())

    def inputs_of(self, point: str) -> tuple[Input, ...]:
        """Inputs that are read for a point, in the order of the plan."""
        if not self._inputs and self.inputs:
            self._inputs.update(_grouped(self.inputs, lambda row: row.point))
        return self._inputs.get(point, ())

    def below(self, point: str) -> tuple[Point, ...]:
        """Points whose current passes a point, in the order of the plan."""
        if not self._below:
            self._below.update(_grouped(self.points, lambda p: p.below or ""))
        return self._below.get(point, ()) if point else ()

    def points_of(self, board: str) -> tuple[Point, ...]:
        """All points on a board, in the order of the plan."""
        if not self._on:
            self._on.update(_grouped(self.points, lambda p: p.board))
        return self._on.get(board, ())

    def on_board(self, board: str) -> tuple[Point, ...]:
        """Points that are terms of the board's own balance: on it, and not below a feeder."""
        return tuple(p for p in self.points_of(board) if p.below is None and p.role is not Role.SUB)
